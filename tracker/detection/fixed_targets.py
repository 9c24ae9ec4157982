"""Fixed targets near their rough picks, and the camera's pose by them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.errors import Problem
from calibration.resection.pose import sightings
from calibration.resection.resect import resect
from tracker.core.types import Mark, MarkId
from tracker.detection.options import DETECTION
from tracker.marks import Picture, locate_mark


@dataclass(frozen=True)
class GroundPose:
    """A camera's pose at the frame of its fixed targets' picks."""

    camera: Camera
    places: Mapping[MarkId, Array]  # (2,) px, of the targets found, by full name
    rms_px: float


def locate_near_picks(
    pictures: Mapping[int, Picture], marks: tuple[Mark, ...]
) -> dict[MarkId, Array]:
    """Places (2,) of the marks that are found near their picks, in the pictures of their frames."""
    found = {}
    for mark in marks:
        if mark.frame not in pictures or mark.pattern == "patch" or not mark.is_picked:
            continue
        picture = pictures[mark.frame]
        fix = locate_mark(
            picture,
            mark.pattern,
            np.array(mark.pixel),
            mark.size_px,
        )
        if fix.ok:
            found[mark.name] = fix.position
    return found


def ground_pose(
    known: Mapping[MarkId, Array],
    places: Mapping[MarkId, Array],
    size: tuple[int, int],
    lens: Lens | None,
    rough: Array | None,
    pixel_u: float = DETECTION.fix_u,
) -> GroundPose | None:
    """The camera's pose by targets at known ground points (3,) and where they are seen (2,), right
    to `pixel_u` px; None where they don't determine it.
    """
    names = [name for name in places if name in known]
    if len(names) < DETECTION.target_marks:
        return None
    try:
        pose = resect(
            sightings(
                names,
                np.array([known[name] for name in names]),
                np.array([places[name] for name in names]),
                np.broadcast_to(np.eye(2) * pixel_u**2, (len(names), 2, 2)),
            ),
            size=size,
            lens=lens,
            rough_position=rough,
        )
    except Problem:
        return None
    accepted = {name: places[name] for name in names if name not in pose.left_out}
    return GroundPose(pose.camera, accepted, pose.rms_px)


def corrected_picks(
    marks: tuple[Mark, ...],
    known: Mapping[MarkId, Array],
    sizes_m: Mapping[MarkId, float],
    ground: GroundPose,
    frame: int,
) -> tuple[Mark, ...]:
    """The marks with picks that contradict the pose replaced by what it says, and sizes by it;
    those without a pick are put where the pose has them in this frame.
    """
    out = []
    for mark in marks:
        if mark.name in known:
            point = known[mark.name][None]
            pixel = ground.camera.project(point)[0]
            depth = ground.camera.in_camera_axes(point)[0, 2]
            size = mark.size_px
            if mark.name in sizes_m and depth > 0:
                size = float(ground.camera.lens.matrix[0, 0] * sizes_m[mark.name] / depth)
            place = ground.places.get(mark.name)
            off = np.hypot(*(pixel - mark.pixel)) if mark.is_picked else np.inf
            if (
                place is not None
                or off > DETECTION.pick_off + DETECTION.pick_off_share * np.nan_to_num(size)
            ):
                u, v = pixel if place is None else place
                if np.isfinite([u, v]).all():
                    at = mark.frame if mark.is_picked else frame
                    mark = replace(mark, pixel=(float(u), float(v)), size_px=size, frame=at)
        out.append(mark)
    return tuple(out)
