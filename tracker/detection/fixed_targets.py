"""Fixed targets near their rough picks, and the camera's pose by them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.errors import Problem
from calibration.resection.resect import resect
from tracker.core.types import Mark
from tracker.marks import locate

ENOUGH = 4
"""Fixed targets from which a camera's pose is believed."""
STRAY_PX = 2.0
"""Distance in px from the place by the pose from which a pick is replaced, plus a quarter size."""


@dataclass(frozen=True)
class Grounded:
    """A camera's pose at the frame of its fixed targets' picks."""

    camera: Camera
    places: Mapping[str, Array]  # (2,) px, of the targets found, by full name
    rms_px: float


def near_picks(
    pictures: Mapping[int, NDArray[Any]], marks: tuple[Mark, ...], white: float
) -> dict[str, Array]:
    """Places (2,) of the marks that are found near their picks, in the pictures of their frames."""
    found = {}
    for mark in marks:
        if mark.frame not in pictures or mark.pattern == "patch" or not mark.picked:
            continue
        luma = pictures[mark.frame]
        fix = locate(luma, mark.pattern, np.array(mark.pixel), mark.size_px, white=white)
        if fix.ok:
            found[mark.name] = fix.position
    return found


def pose_of(
    known: Mapping[str, Array],
    places: Mapping[str, Array],
    size: tuple[int, int],
    lens: Lens | None,
    rough: Array | None,
    pixel_u: float = 0.05,
) -> Grounded | None:
    """The camera's pose by targets at known ground points (3,) and where they are seen (2,), right
    to `pixel_u` px; None where they don't tell it.
    """
    names = [name for name in places if name in known]
    if len(names) < ENOUGH:
        return None
    try:
        pose = resect(
            names,
            np.array([known[name] for name in names]),
            np.array([places[name] for name in names]),
            np.broadcast_to(np.eye(2) * pixel_u**2, (len(names), 2, 2)),
            size=size,
            lens=lens,
            rough_position=rough,
        )
    except Problem:
        return None
    kept = {name: places[name] for name in names if name not in pose.left_out}
    return Grounded(pose.camera, kept, pose.rms_px)


def better_picks(
    marks: tuple[Mark, ...],
    known: Mapping[str, Array],
    sizes_m: Mapping[str, float],
    ground: Grounded,
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
            off = np.hypot(*(pixel - mark.pixel)) if mark.picked else np.inf
            if place is not None or off > STRAY_PX + 0.25 * np.nan_to_num(size):
                u, v = pixel if place is None else place
                if np.isfinite([u, v]).all():
                    at = mark.frame if mark.picked else frame
                    mark = replace(mark, pixel=(float(u), float(v)), size_px=size, frame=at)
        out.append(mark)
    return tuple(out)
