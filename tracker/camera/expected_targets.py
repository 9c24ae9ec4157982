"""Which painted marks a camera is expected to see, and how large they will be in its picture."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.errors import Problem
from calibration.resection.pose import sightings
from calibration.resection.resect import resect
from tracker.camera.options import CAMERA
from tracker.core.types import SURVEY, Mark, MarkId
from tracker.record.camera import CameraEntry
from tracker.record.schema import Record

NOWHERE = (float("nan"), float("nan"))


def expected_marks(
    record: Record, camera: str, size: tuple[int, int], lens: Lens | None
) -> tuple[Mark, ...]:
    """The marks that the record picks for this camera: fixed targets first, then vehicles'.

    `size` is the picture's width and height. Sizes in the picture come from a rough pose of the
    camera by the picks alone, or from its scale bars; NaN where neither is there.
    """
    entry = record.cameras[camera]
    rough = rough_camera(entry, size, lens, f"cameras.{camera}.survey")
    marks = []
    for name, target in entry.survey.items():
        at = None if target.at is None else np.array(target.at)
        pixels = _size_px(rough, entry, target.size, at)
        pixel = target.pixel or NOWHERE
        marks.append(Mark(MarkId(SURVEY, name), target.pattern, pixel, target.frame, pixels))
    for text, pick in entry.picks.items():
        name = MarkId.parse(text)
        marker = record.marker(name)
        if name.is_free:
            at = None if marker.at is None else np.array(marker.at)
        else:
            at = _rough_place(rough, pick.pixel, marker.at)
        marks.append(
            Mark(
                name,
                marker.pattern,
                pick.pixel,
                pick.frame,
                _size_px(rough, entry, marker.size, at),
                tuple((later.frame, later.pixel) for later in pick.more),
            )
        )
    return tuple(marks)


def rough_camera(
    entry: CameraEntry, size: tuple[int, int], lens: Lens | None, where: str
) -> Camera | None:
    """The camera's pose from hand picks alone: good enough for sizes. None without it."""
    known = {
        name: (target.at, target.pixel)
        for name, target in entry.survey.items()
        if target.at is not None and target.pixel is not None
    }
    if len(known) < 4:
        return None
    try:
        return resect(
            sightings(
                tuple(known),
                np.array([at for at, _ in known.values()]),
                np.array([pixel for _, pixel in known.values()]),
                np.broadcast_to(np.eye(2) * CAMERA.pick_u**2, (len(known), 2, 2)),
            ),
            size=size,
            lens=lens,
            rough_position=None if entry.position is None else np.array(entry.position),
            where=where,
        ).camera
    except Problem:
        return None  # the pose from the measured marks reports what is wrong


def _rough_place(
    camera: Camera | None, pixel: tuple[float, float], at: tuple[float, float, float] | None
) -> Array | None:
    """Where a vehicle's mark is on the line of sight through its pick, if its vehicle stands
    on the ground (seen from above) or square to the camera (seen from the side).
    """
    if camera is None or at is None:
        return None
    ray = camera.rays(np.array([pixel]))[0]
    axis = 2 if abs(ray[2]) > abs(ray[1]) else 1
    along = (at[axis] - camera.position[axis]) / ray[axis] if ray[axis] else np.nan
    return np.asarray(camera.position + along * ray) if along > 0 else None


def _size_px(
    camera: Camera | None, entry: CameraEntry, size_m: float | None, at: Array | None
) -> float:
    if size_m is None:
        return float("nan")
    if camera is not None and at is not None:
        depth = camera.in_camera_axes(at[None])[0, 2]
        return float(camera.lens.matrix[0, 0] * size_m / depth) if depth > 0 else float("nan")
    if entry.scale:
        scales = [np.hypot(*np.subtract(*b.pixels)) / b.length for b in entry.scale if b.length]
        return float(np.mean(scales) * size_m) if scales else float("nan")
    return float("nan")
