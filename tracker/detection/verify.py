"""A hypothesis of a vehicle's pose, refined on peaks and then verified mark by mark."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.core.rigid_body import rotation
from tracker.core.types import Pattern
from tracker.detection.options import DETECTION
from tracker.detection.pattern_response import FAMILIES, best_response_near
from tracker.detection.vehicle_hypotheses import PLANE_U, MotionPlane, VehicleLayout
from tracker.detection.visibility import view_cosine, visible_mask
from tracker.marks import Picture, locate_mark
from tracker.marks.patterns import Family
from tracker.motion.initial.poses import MarkView, fit_pose
from tracker.motion.options import START

_WORTH_LOCATING: dict[Family, float] = {
    "sectors": DETECTION.like_sectors,
    "cross": DETECTION.like_cross,
    "disc": DETECTION.like_disc,
    "ring": DETECTION.like_ring,
}
_FAR_PX = 1e3
"""Distance that counts for a mark a pose can't show."""
_BEHIND = 0.1
"""Depth in m from which a point is in front of the camera."""


@dataclass(frozen=True)
class SurveyedMark:
    """A vehicle's mark as it is surveyed: `size` in m."""

    name: str
    at: Array  # (3,) vehicle axes
    pattern: Pattern
    size: float


class RefinedPose(NamedTuple):
    """A pose that peaks of a picture agree with."""

    pose: Array  # (6,)
    agreeing: int  # marks that have a peak
    rms_px: float  # of their distances; infinite where too few have


@dataclass(frozen=True)
class VehicleInPicture:
    """A vehicle found in one frame."""

    pose: Array  # (6,) of the vehicle's origin: m, and roll, pitch, yaw
    pixels: dict[str, tuple[float, float]]  # where each verified mark is
    rms_px: float


def fit_vehicle_pose(
    camera: Camera,
    plane: MotionPlane,
    at: Array,
    pixels: Array,
    start: Array,
    level_u: float = START.level_u,
) -> Array:
    """Pose (6,) of the vehicle's origin that puts marks (n, 3) on pixels (n, 2)."""
    level = np.concatenate([start[:3], [0.0, 0.0, start[5]]])
    u = np.array([*[DETECTION.place_u] * 3, level_u, level_u, DETECTION.heading_u])
    level[plane.axis], u[plane.axis] = plane.middle, DETECTION.lateral_share * PLANE_U[plane.axis]
    if plane.axis != 2:
        u[5] = DETECTION.heading_u_side
    return fit_pose([MarkView(camera, pixels, at)], start, level, u, DETECTION.fit_steps)[0]


def fit_any_heading(camera: Camera, plane: MotionPlane, at: Array, pixels: Array) -> Array:
    """The pose (6,) by marks whose places are known, whichever way the vehicle faces."""
    rays = camera.rays(pixels)
    reach = (plane.middle - camera.position[plane.axis]) / rays[:, plane.axis]
    middle = (camera.position + reach[:, None] * rays).mean(axis=0)
    poses = []
    for heading in np.arange(START.headings) * 2 * np.pi / START.headings:
        attitude = np.array([0.0, 0.0, heading])
        start = np.concatenate([middle - rotation(attitude) @ at.mean(axis=0), attitude])
        pose = fit_vehicle_pose(camera, plane, at, pixels, start)
        away = np.hypot(*(project_marks(camera, pose, at)[0] - pixels).T)
        poses.append((float(np.mean(np.minimum(np.nan_to_num(away, nan=_FAR_PX), _FAR_PX))), pose))
    return min(poses, key=lambda p: p[0])[1]


def project_marks(camera: Camera, pose: Array, at: Array) -> tuple[Array, Array]:
    """Pixels (n, 2) of marks (n, 3) of a vehicle in a pose (6,), and px a metre there (n,)."""
    places = at @ rotation(pose[3:]).T + pose[:3]
    depth = camera.in_camera_axes(places)[:, 2]
    scale = camera.lens.matrix[0, 0] / np.where(depth > _BEHIND, depth, np.nan)
    return camera.project(places), scale


def refine_pose(
    camera: Camera,
    plane: MotionPlane,
    layout: VehicleLayout,
    sizes: Array,
    pose: Array,
    peaks: dict[Family, Array],
) -> RefinedPose:
    """A level pose (4,) refined on the peaks (n, 2) near its marks of sizes (m,) m."""
    full = np.array([*pose[:3], 0.0, 0.0, pose[3]])
    count, rms = 0, np.inf
    for reach in (DETECTION.near, DETECTION.near, DETECTION.near_late * DETECTION.near):
        pixels, scale = project_marks(camera, full, layout.at)
        limit = np.maximum(reach * sizes * scale, DETECTION.near_least)
        which, at = _assign_peaks(pixels, limit, layout.families, peaks)
        count = len(which)
        if count < DETECTION.vehicle_marks:
            return RefinedPose(full, count, np.inf)
        full = fit_vehicle_pose(camera, plane, layout.at[which], at, full)
        rms = _rms_px(camera, full, layout.at[which], at)
    return RefinedPose(full, count, rms)


def _assign_peaks(
    pixels: Array, limit: Array, families: tuple[Family, ...], peaks: dict[Family, Array]
) -> tuple[list[int], Array]:
    """Marks that have a peak of their family within their limits, the nearest first, one each."""
    close: list[tuple[float, int, Family, int]] = []
    for m, family in enumerate(families):
        if family not in peaks or not np.isfinite(pixels[m]).all():
            continue
        away = np.hypot(*(peaks[family] - pixels[m]).T)
        close += [(float(away[k]), m, family, int(k)) for k in np.flatnonzero(away < limit[m])]
    which: list[int] = []
    at: list[Array] = []
    matched: set[tuple[Family, int]] = set()
    for _, m, family, k in sorted(close):
        if m not in which and (family, k) not in matched:
            which.append(m)
            at.append(peaks[family][k])
            matched.add((family, k))
    return which, np.array(at).reshape(-1, 2)


def verify_pose(
    picture: Picture,
    camera: Camera,
    plane: MotionPlane,
    targets: list[SurveyedMark],
    pose: Array,
    placed_marks: dict[str, Array],
) -> VehicleInPicture | None:
    """The marks that the picture itself shows where a pose (6,) says, and the pose by them.

    Looked for are marks that the vehicle's body doesn't hide, where something of their family is.
    `placed_marks` are marks whose place (2,) is known; they count, and aren't looked for. None with
    too few in all, or where none are placed and too little speaks for it: half of the marks in
    plain view, and few marks only of a level vehicle.
    """
    at = np.array([t.at for t in targets])
    sizes = np.array([t.size for t in targets])
    found = {i: placed_marks[t.name] for i, t in enumerate(targets) if t.name in placed_marks}
    tried = {i: np.full(2, np.inf) for i in range(len(targets)) if i not in found}
    for _ in range(DETECTION.passes):  # what the first marks say of the pose leads to the others
        pixels, scale = project_marks(camera, pose, at)
        for i in _marks_in_view(picture.luma.shape, pixels, scale * sizes, camera, pose, at):
            size = float(scale[i] * sizes[i])
            again = (
                i not in tried
                or np.hypot(*(tried[i] - pixels[i])) < DETECTION.predicted_again * size
            )
            if again or i in found or not _is_worth_locating(picture, targets[i], pixels[i], size):
                continue
            tried[i] = pixels[i]
            place = _locate_at(picture, targets[i], pixels[i], size)
            if place is not None:
                found[i] = place
        pose = _consistent_pose(camera, plane, targets, pose, found, placed_marks)
        if len(found) < DETECTION.vehicle_marks:
            return None
    which = sorted(found)
    places = np.array([found[i] for i in which])
    rms = _rms_px(camera, pose, at[which], places)
    if not placed_marks:
        if len(found) < DETECTION.plain_share * _plain_view_count(
            picture.luma.shape, camera, pose, at, sizes
        ):
            return None
        level = fit_vehicle_pose(camera, plane, at[which], places, pose, DETECTION.few_level_u)
        if (
            len(found) <= DETECTION.few_marks
            and _rms_px(camera, level, at[which], places) > DETECTION.few_rms
        ):
            return None
    centres = {targets[i].name: (float(found[i][0]), float(found[i][1])) for i in which}
    return VehicleInPicture(pose, centres, rms)


def has_visible_candidate(
    picture: Picture,
    camera: Camera,
    targets: list[SurveyedMark],
    pose: Array,
    placed_marks: Collection[str],
) -> bool:
    """Whether a mark other than those placed may be seen of a vehicle in about this pose (6,)."""
    at = np.array([t.at for t in targets])
    pixels, scale = project_marks(camera, pose, at)
    sizes = scale * [t.size for t in targets]
    return any(
        targets[i].name not in placed_marks
        and _is_worth_locating(picture, targets[i], pixels[i], float(sizes[i]))
        for i in _marks_in_view(picture.luma.shape, pixels, sizes, camera, pose, at)
    )


def _is_worth_locating(picture: Picture, target: SurveyedMark, near: Array, size: float) -> bool:
    """Whether something of a mark's family is near a place (2,): cheap, often wrong."""
    family = FAMILIES[target.pattern]
    reach = max(DETECTION.near * size, DETECTION.near_least)
    return best_response_near(picture, family, size, near, reach) >= _WORTH_LOCATING[family]


def _marks_in_view(
    shape: tuple[int, ...], pixels: Array, sizes: Array, camera: Camera, pose: Array, at: Array
) -> list[int]:
    """Marks inside the picture that the body doesn't hide, the nearest to the camera first."""
    half = 0.5 * sizes[:, None]
    inside = np.all((pixels > half) & (pixels < (shape[1], shape[0]) - half), axis=1)
    turn = rotation(pose[3:])
    away = camera.position - (at @ turn.T + pose[:3])
    depth = np.linalg.norm(away, axis=1)
    seen = inside & visible_mask(at, away @ turn / depth[:, None])
    return [int(i) for i in np.argsort(depth) if seen[i]]


def _rms_px(camera: Camera, pose: Array, at: Array, places: Array) -> float:
    rest = project_marks(camera, pose, at)[0] - places
    return float(np.sqrt(np.mean(np.sum(rest * rest, axis=1))))


def _plain_view_count(
    shape: tuple[int, ...], camera: Camera, pose: Array, at: Array, sizes: Array
) -> int:
    """How many marks of a vehicle in a pose (6,) the picture should show."""
    pixels, scale = project_marks(camera, pose, at)
    half = 0.5 * (scale * sizes)[:, None]
    inside = np.all((pixels > half) & (pixels < (shape[1], shape[0]) - half), axis=1)
    turn = rotation(pose[3:])
    away = camera.position - (at @ turn.T + pose[:3])
    squarely = view_cosine(at, away @ turn / np.linalg.norm(away, axis=1)[:, None])
    return int(np.sum(inside & (squarely > DETECTION.plain_view)))


def _locate_at(picture: Picture, target: SurveyedMark, near: Array, size: float) -> Array | None:
    """Where a mark of this size (px) is, if something like it and of its size is there."""
    reach = max(DETECTION.search_share * size, DETECTION.near_least)
    fix = locate_mark(picture, target.pattern, near, size, reach)
    return (
        fix.position
        if fix.ok and DETECTION.size_low < fix.shape.size / size < DETECTION.size_high
        else None
    )


def _consistent_pose(
    camera: Camera,
    plane: MotionPlane,
    targets: list[SurveyedMark],
    pose: Array,
    found: dict[int, Array],
    placed_marks: dict[str, Array],
) -> Array:
    """The pose by the marks found; those that contradict it, and the farther of two that claim one
    place, are taken out of `found`, the worst first.
    """
    at = np.array([t.at for t in targets])
    while len(found) >= DETECTION.vehicle_marks:
        which = sorted(found)
        places = np.array([found[i] for i in which])
        pose = fit_vehicle_pose(camera, plane, at[which], places, pose)
        pixels, scale = project_marks(camera, pose, at[which])
        sizes = scale * [targets[i].size for i in which]
        away = np.hypot(*(pixels - places).T)
        over = away / (DETECTION.contradicts + DETECTION.contradicts_share * float(np.median(away)))
        between = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
        np.fill_diagonal(between, np.inf)
        over[between.min(axis=0) < DETECTION.one_place * sizes] += 1.0
        over[[targets[i].name in placed_marks for i in which]] *= DETECTION.surveyed_weight
        worst = int(np.argmax(over))
        if over[worst] <= 1.0:
            break
        del found[which[worst]]
    return pose
