"""Poses of a vehicle that put its surveyed marks where a picture shows such patterns.

Every pair of marks is laid on every pair of peaks of the right looks. The vehicle is taken to stand
level, near to its plane of motion: then a pair gives heading and place seen from above, and place
seen from the side, where the heading is tried in steps. What fits is judged by all other marks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.core.rigid_body import rotation
from tracker.detection.pattern_response import Look

HEADINGS = tuple(np.radians([0.0, -18.0, 18.0, 180.0, 162.0, 198.0]))
"""Tried where a view doesn't show the heading: along x or against it, up to 27 degrees off."""
PLANE_U = np.array([10.0, 1.0, 0.5])
"""How far the vehicle's origin may be from its plane of motion, m, by the plane's ground axis."""
HIGHEST = 1.5
"""The vehicle's origin is within this height of the ground's, m."""
PEAK_U = 1.5
"""Error of a peak of a response, px."""
SLACK = 0.05
"""Share of a pair's distance by which foreshortening may falsify it."""
_BLOCK = 20_000


@dataclass(frozen=True)
class Peaks:
    """Places (n, 2) px in a picture that look like a pattern."""

    place: Array
    score: Array  # (n,) 0..1

    def strongest(self, most: int) -> Peaks:
        """The `most` best of them."""
        order = np.argsort(-self.score)[:most]
        return Peaks(self.place[order], self.score[order])


@dataclass(frozen=True)
class Layout:
    """Surveyed marks of one vehicle: places (m, 3) in its axes, m, and what each looks like."""

    names: tuple[str, ...]
    at: Array
    looks: tuple[Look, ...]


@dataclass(frozen=True)
class Plane:
    """Where a vehicle moves: `axis` of the ground (0 x, 1 y, 2 z) across it, its origin near
    `middle`, m.
    """

    axis: int
    middle: float


def plane_of(camera: Camera, offset: float) -> Plane:
    """The ground for a camera that looks down on it by 35 degrees or more, else the upright plane
    that faces it: through the test plan's lateral `offset` (m), or across the path.
    """
    ahead = np.abs(camera.rotation[2])
    if ahead[2] > np.sin(np.radians(35.0)):
        return Plane(2, 0.0)
    return Plane(1, offset) if ahead[1] > ahead[0] else Plane(0, 0.0)


def hypotheses(camera: Camera, plane: Plane, layout: Layout, seen: dict[Look, Peaks]) -> Array:
    """Level poses (n, 4): the origin's place (m) and the heading (rad) by every pair."""
    found = [np.empty((0, 4))]
    rays = {look: camera.rays(peaks.place) for look, peaks in seen.items() if len(peaks.place)}
    for i in range(len(layout.at)):
        for j in range(i + 1, len(layout.at)):
            first, second = rays.get(layout.looks[i]), rays.get(layout.looks[j])
            if first is None or second is None:
                continue
            one, two = np.divmod(np.arange(len(first) * len(second)), len(second))
            apart = one != two if layout.looks[i] == layout.looks[j] else one >= 0
            pair = _pair(camera, plane, layout.at[[i, j]], first[one[apart]], second[two[apart]])
            found.append(pair)
    poses = np.concatenate(found)
    return poses[np.abs(poses[:, 2]) < HIGHEST]


def _pair(camera: Camera, plane: Plane, at: Array, first: Array, second: Array) -> Array:
    """Poses (n, 4) of a vehicle whose marks at[0] and at[1] lie on rays (k, 3) each."""
    arm = at[1] - at[0]
    if plane.axis == 2:
        if np.hypot(*arm[:2]) < 0.2:
            return np.empty((0, 4))
        heading = np.zeros(len(first))
        for _ in range(2):
            pose, _, apart = _placed(camera, plane, at, first, second, heading)
            turn = np.arctan2(apart[:, 1], apart[:, 0]) - np.arctan2(arm[1], arm[0])
            heading = turn
        pose, fits, _ = _placed(camera, plane, at, first, second, heading)
        return pose[fits]
    found = []
    for heading in HEADINGS:
        pose, fits, _ = _placed(camera, plane, at, first, second, np.full(len(first), heading))
        found.append(pose[fits])
    return np.concatenate(found)


def _placed(
    camera: Camera, plane: Plane, at: Array, first: Array, second: Array, heading: Array
) -> tuple[Array, NDArray[np.bool_], Array]:
    """Poses (k, 4) of these headings (k,), whether they fit both rays, and the vectors (k, 3) from
    the first mark to the second.

    Each mark is its ray's point at a depth set by the origin's distance from the plane; of that
    distance the pair's length decides as far as a pixel's error lets it (least squares, prior).
    """
    axis, k = plane.axis, len(heading)
    across = [a for a in range(3) if a != axis]
    turn = rotation(np.column_stack([np.zeros((k, 2)), heading]))
    arms = turn @ at.T  # (k, 3, 2)
    ends, slopes = [], []
    for ray, arm in ((first, arms[:, :, 0]), (second, arms[:, :, 1])):
        slope = ray / np.where(np.abs(ray[:, axis]) > 1e-3, ray[:, axis], np.nan)[:, None]
        reach = plane.middle + arm[:, axis] - camera.position[axis]
        ends.append(camera.position + reach[:, None] * slope)
        slopes.append(slope)
    wanted = (arms[:, :, 1] - arms[:, :, 0])[:, across]
    apart, change = (ends[1] - ends[0])[:, across], (slopes[1] - slopes[0])[:, across]
    depth = np.abs(plane.middle - camera.position[axis])
    u = PEAK_U * depth / camera.lens.matrix[0, 0] * np.sqrt(2.0)
    weight = (u / PLANE_U[axis]) ** 2
    rest = wanted - apart
    if axis == 2:  # the heading follows the pair, so only its length counts
        length, size = np.linalg.norm(apart, axis=1), np.linalg.norm(wanted, axis=1)
        by = np.einsum("ki,ki->k", apart, change) / np.maximum(length, 1e-9)
        off = by * (size - length) / (by * by + weight)
        misfit = np.abs(size - length - by * off)
    else:
        off = np.einsum("ki,ki->k", change, rest)
        off = off / (np.einsum("ki,ki->k", change, change) + weight)
        misfit = np.linalg.norm(rest - off[:, None] * change, axis=1)
    one = ends[0] + off[:, None] * slopes[0]
    two = ends[1] + off[:, None] * slopes[1]
    place = 0.5 * (one + two - arms[:, :, 0] - arms[:, :, 1])
    allowed = 2.0 * u + SLACK * np.linalg.norm(wanted, axis=1)
    fits = (misfit < allowed) & (np.abs(off) < 2.5 * PLANE_U[axis])
    return np.column_stack([place, heading]), fits, two - one


def best(
    camera: Camera,
    layout: Layout,
    poses: Array,
    nearness: dict[Look, Array],
    most: int,
) -> Array:
    """The poses (<= most, 4) that agree best with the picture, different ones only.

    `nearness` (rows, columns) says for each look how well a mark at a pixel would be explained.
    """
    points = np.zeros(len(poses))
    for start in range(0, len(poses), _BLOCK):
        part = poses[start : start + _BLOCK]
        turn = rotation(np.column_stack([np.zeros((len(part), 2)), part[:, 3]]))
        places = part[:, None, :3] + layout.at @ turn.mT
        pixels = camera.project(places.reshape(-1, 3)).reshape(len(part), -1, 2)
        pixels = np.where(np.isfinite(pixels), np.clip(pixels, -1e6, 1e6), -1e6)
        for m, look in enumerate(layout.looks):
            if look in nearness:
                points[start : start + _BLOCK] += _looked_up(nearness[look], pixels[:, m])
    kept: list[int] = []
    for i in np.argsort(-points):
        if points[i] <= 0 or len(kept) >= most:
            break
        away = poses[kept] - poses[i] if kept else np.empty((0, 4))
        turned = np.abs(np.angle(np.exp(1j * away[:, 3])))
        if not np.any((np.linalg.norm(away[:, :3], axis=1) < 0.15) & (turned < 0.1)):
            kept.append(int(i))
    return poses[kept]


def _looked_up(picture: Array, pixels: Array) -> Array:
    rows, columns = picture.shape
    u, v = np.rint(pixels[:, 0]).astype(np.int64), np.rint(pixels[:, 1]).astype(np.int64)
    inside = (u >= 0) & (v >= 0) & (u < columns) & (v < rows)
    return np.where(inside, picture[np.clip(v, 0, rows - 1), np.clip(u, 0, columns - 1)], 0.0)
