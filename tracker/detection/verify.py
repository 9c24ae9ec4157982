"""A supposed pose of a vehicle, settled on peaks and then proved mark by mark."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.core.rigid_body import rotation
from tracker.core.types import Pattern
from tracker.detection.pattern_response import LOOKS, Look, looks_like
from tracker.detection.vehicle_hypotheses import PLANE_U, Layout, Plane
from tracker.detection.visibility import facing, view
from tracker.marks import locate
from tracker.motion.initial.poses import HEADINGS, LEVEL_U, View, fit_pose

ENOUGH = 3
"""Marks that must agree before a vehicle counts as found."""
LIKE: dict[Look, float] = {"sectors": 0.7, "cross": 0.5, "disc": 0.65, "ring": 0.5}
"""Response from which it is worth while to look for a mark."""
NEAR = 0.35
"""Reach of a first assignment of peaks, in sizes of the mark; half of it later."""
LEAST_PX = 3.0
OFF, OFF_OTHERS = 0.6, 4.0
"""Distance in px at which a mark contradicts the pose, besides so many times the others' middle
distance from it."""
MOVED = 0.15
"""Change of a prediction, in sizes, after which a mark not found is looked for once more."""
SIZE_RANGE = (0.72, 1.35)
"""Size seen over the size expected between which a mark is believed."""
STEPS = 10
PLAIN, SHARE = 0.7, 0.5
"""Cosine from which a mark is in plain view, and how many of these must be found."""
FEW, FEW_LEVEL_U, FEW_PX = 4, 0.01, 0.8
"""Up to so many marks must fit a vehicle that stands level within this sd, rad, to so many px."""
LATERAL_U = 0.6
"""sd of the vehicle's distance from its plane of motion in a fit, as a share of `PLANE_U`."""


@dataclass(frozen=True)
class Target:
    """What is needed to prove a mark: `size` in m."""

    name: str
    at: Array  # (3,) vehicle axes
    pattern: Pattern
    size: float


@dataclass(frozen=True)
class Placed:
    """A vehicle found in one frame."""

    pose: Array  # (6,) of the vehicle's origin: m, and roll, pitch, yaw
    pixels: dict[str, tuple[float, float]]  # where each proved mark is
    rms_px: float


def fitted(
    camera: Camera,
    plane: Plane,
    at: Array,
    pixels: Array,
    start: Array,
    level_u: float = LEVEL_U,
) -> Array:
    """Pose (6,) of the vehicle's origin that puts marks (n, 3) on pixels (n, 2)."""
    level = np.concatenate([start[:3], [0.0, 0.0, start[5]]])
    u = np.array([20.0, 20.0, 20.0, level_u, level_u, 1.0])
    level[plane.axis], u[plane.axis] = plane.middle, LATERAL_U * PLANE_U[plane.axis]
    if plane.axis != 2:
        u[5] = 0.3
    return fit_pose([View(camera, pixels, at)], start, level, u, STEPS)[0]


def fitted_afresh(camera: Camera, plane: Plane, at: Array, pixels: Array) -> Array:
    """The pose (6,) by marks whose places are known, whichever way the vehicle faces."""
    rays = camera.rays(pixels)
    reach = (plane.middle - camera.position[plane.axis]) / rays[:, plane.axis]
    middle = (camera.position + reach[:, None] * rays).mean(axis=0)
    poses = []
    for heading in np.arange(HEADINGS) * 2 * np.pi / HEADINGS:
        attitude = np.array([0.0, 0.0, heading])
        start = np.concatenate([middle - rotation(attitude) @ at.mean(axis=0), attitude])
        pose = fitted(camera, plane, at, pixels, start)
        away = np.hypot(*(seen_at(camera, pose, at)[0] - pixels).T)
        poses.append((float(np.mean(np.minimum(np.nan_to_num(away, nan=1e3), 1e3))), pose))
    return min(poses, key=lambda p: p[0])[1]


def seen_at(camera: Camera, pose: Array, at: Array) -> tuple[Array, Array]:
    """Pixels (n, 2) of marks (n, 3) of a vehicle in a pose (6,), and px a metre there (n,)."""
    places = at @ rotation(pose[3:]).T + pose[:3]
    depth = camera.in_camera_axes(places)[:, 2]
    scale = camera.lens.matrix[0, 0] / np.where(depth > 0.1, depth, np.nan)
    return camera.project(places), scale


def settle(
    camera: Camera,
    plane: Plane,
    layout: Layout,
    sizes: Array,
    pose: Array,
    peaks: dict[Look, Array],
) -> tuple[Array, int, float]:
    """A level pose (4,) refined on the peaks (n, 2) near its marks of sizes (m,) m: pose (6,), how
    many marks have a peak, and their rms distance in px.
    """
    full = np.array([*pose[:3], 0.0, 0.0, pose[3]])
    count, rms = 0, np.inf
    for reach in (NEAR, NEAR, 0.5 * NEAR):
        pixels, scale = seen_at(camera, full, layout.at)
        limit = np.maximum(reach * sizes * scale, LEAST_PX)
        which, at = _assigned(pixels, limit, layout.looks, peaks)
        count = len(which)
        if count < ENOUGH:
            return full, count, np.inf
        full = fitted(camera, plane, layout.at[which], at, full)
        rms = _rms(camera, full, layout.at[which], at)
    return full, count, rms


def _assigned(
    pixels: Array, limit: Array, looks: tuple[Look, ...], peaks: dict[Look, Array]
) -> tuple[list[int], Array]:
    """Marks that have a peak of their look within their limits, the nearest first, one each."""
    close: list[tuple[float, int, Look, int]] = []
    for m, look in enumerate(looks):
        if look not in peaks or not np.isfinite(pixels[m]).all():
            continue
        away = np.hypot(*(peaks[look] - pixels[m]).T)
        close += [(float(away[k]), m, look, int(k)) for k in np.flatnonzero(away < limit[m])]
    which: list[int] = []
    at: list[Array] = []
    taken: set[tuple[Look, int]] = set()
    for _, m, look, k in sorted(close):
        if m not in which and (look, k) not in taken:
            which.append(m)
            at.append(peaks[look][k])
            taken.add((look, k))
    return which, np.array(at).reshape(-1, 2)


def prove(
    luma: NDArray[Any],
    camera: Camera,
    plane: Plane,
    targets: list[Target],
    pose: Array,
    white: float,
    held: dict[str, Array],
) -> Placed | None:
    """The marks that the picture itself shows where a pose (6,) says, and the pose by them.

    Looked for are marks that the vehicle's body doesn't hide, where something has their look.
    `held` are marks whose place (2,) is known; they count, and aren't looked for. None with fewer
    than `ENOUGH` in all, or where none are held and too little
    speaks for it: half of the marks in plain view, and few marks only of a level vehicle.
    """
    at = np.array([t.at for t in targets])
    sizes = np.array([t.size for t in targets])
    found = {i: held[t.name] for i, t in enumerate(targets) if t.name in held}
    tried = {i: np.full(2, np.inf) for i in range(len(targets)) if i not in found}
    for _ in range(2):  # what the first marks say of the pose leads to the others
        pixels, scale = seen_at(camera, pose, at)
        for i in _open_to_view(luma.shape, pixels, scale * sizes, camera, pose, at):
            size = float(scale[i] * sizes[i])
            again = i not in tried or np.hypot(*(tried[i] - pixels[i])) < MOVED * size
            if again or i in found or not _promising(luma, targets[i], pixels[i], size, white):
                continue
            tried[i] = pixels[i]
            place = _shown(luma, targets[i], pixels[i], size, white)
            if place is not None:
                found[i] = place
        pose = _consistent(camera, plane, targets, pose, found, held)
        if len(found) < ENOUGH:
            return None
    which = sorted(found)
    places = np.array([found[i] for i in which])
    rms = _rms(camera, pose, at[which], places)
    if not held:
        if len(found) < SHARE * _in_plain_view(luma.shape, camera, pose, at, sizes):
            return None
        level = fitted(camera, plane, at[which], places, pose, FEW_LEVEL_U)
        if len(found) <= FEW and _rms(camera, level, at[which], places) > FEW_PX:
            return None
    kept = {targets[i].name: (float(found[i][0]), float(found[i][1])) for i in which}
    return Placed(pose, kept, rms)


def promising(
    luma: NDArray[Any],
    camera: Camera,
    targets: list[Target],
    pose: Array,
    white: float,
    held: Collection[str],
) -> bool:
    """Whether a mark other than those held may be seen of a vehicle in about this pose (6,)."""
    at = np.array([t.at for t in targets])
    pixels, scale = seen_at(camera, pose, at)
    sizes = scale * [t.size for t in targets]
    return any(
        targets[i].name not in held
        and _promising(luma, targets[i], pixels[i], float(sizes[i]), white)
        for i in _open_to_view(luma.shape, pixels, sizes, camera, pose, at)
    )


def _promising(luma: NDArray[Any], target: Target, near: Array, size: float, white: float) -> bool:
    """Whether something that has a mark's look is near a place (2,): cheap, often in vain."""
    look = LOOKS[target.pattern]
    reach = max(NEAR * size, LEAST_PX)
    return looks_like(luma, look, size, near, reach, white) >= LIKE[look]


def _open_to_view(
    shape: tuple[int, ...], pixels: Array, sizes: Array, camera: Camera, pose: Array, at: Array
) -> list[int]:
    """Marks inside the picture that the body doesn't hide, the nearest to the camera first."""
    half = 0.5 * sizes[:, None]
    inside = np.all((pixels > half) & (pixels < (shape[1], shape[0]) - half), axis=1)
    turn = rotation(pose[3:])
    away = camera.position - (at @ turn.T + pose[:3])
    depth = np.linalg.norm(away, axis=1)
    seen = inside & facing(at, away @ turn / depth[:, None])
    return [int(i) for i in np.argsort(depth) if seen[i]]


def _rms(camera: Camera, pose: Array, at: Array, places: Array) -> float:
    rest = seen_at(camera, pose, at)[0] - places
    return float(np.sqrt(np.mean(np.sum(rest * rest, axis=1))))


def _in_plain_view(
    shape: tuple[int, ...], camera: Camera, pose: Array, at: Array, sizes: Array
) -> int:
    """How many marks of a vehicle in a pose (6,) the picture should show."""
    pixels, scale = seen_at(camera, pose, at)
    half = 0.5 * (scale * sizes)[:, None]
    inside = np.all((pixels > half) & (pixels < (shape[1], shape[0]) - half), axis=1)
    turn = rotation(pose[3:])
    away = camera.position - (at @ turn.T + pose[:3])
    squarely = view(at, away @ turn / np.linalg.norm(away, axis=1)[:, None])
    return int(np.sum(inside & (squarely > PLAIN)))


def _shown(
    luma: NDArray[Any], target: Target, near: Array, size: float, white: float
) -> Array | None:
    """Where a mark of this size (px) is, if something like it and of its size is there."""
    fix = locate(luma, target.pattern, near, size, max(0.25 * size, LEAST_PX), white=white)
    low, high = SIZE_RANGE
    return fix.position if fix.ok and low < fix.shape.size / size < high else None


def _consistent(
    camera: Camera,
    plane: Plane,
    targets: list[Target],
    pose: Array,
    found: dict[int, Array],
    held: dict[str, Array],
) -> Array:
    """The pose by the marks found; those that contradict it, and the farther of two that claim one
    place, are taken out of `found`, the worst first.
    """
    at = np.array([t.at for t in targets])
    while len(found) >= ENOUGH:
        which = sorted(found)
        places = np.array([found[i] for i in which])
        pose = fitted(camera, plane, at[which], places, pose)
        pixels, scale = seen_at(camera, pose, at[which])
        sizes = scale * [targets[i].size for i in which]
        away = np.hypot(*(pixels - places).T)
        over = away / (OFF + OFF_OTHERS * float(np.median(away)))
        between = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
        np.fill_diagonal(between, np.inf)
        over[between.min(axis=0) < 0.4 * sizes] += 1.0
        over[[targets[i].name in held for i in which]] *= 0.5
        worst = int(np.argmax(over))
        if over[worst] <= 1.0:
            break
        del found[which[worst]]
    return pose
