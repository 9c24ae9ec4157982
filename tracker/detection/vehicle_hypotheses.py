"""Poses of a vehicle that put its surveyed marks where a picture shows such patterns.

Every pair of marks is laid on every pair of peaks of the right families. The vehicle is taken to
stand level, near to its plane of motion: then a pair gives heading and place seen from above, and
place seen from the side, where the heading is tried in steps. What fits is judged by all other
marks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.core.rigid_body import rotation
from tracker.detection.options import DETECTION
from tracker.marks.patterns import Family

_STEP = DETECTION.heading_step
_HEADINGS = tuple(np.radians([0.0, -_STEP, _STEP, 180.0, 180.0 - _STEP, 180.0 + _STEP]))
"""Tried where a view doesn't show the heading: along x or against it."""
PLANE_U = (DETECTION.plane_u_along, DETECTION.plane_u_lateral, DETECTION.plane_u_height)
"""How far the vehicle's origin may be from its plane of motion, m, by the plane's ground axis."""
_OUTSIDE = -1e6
"""Pixel for a point that the camera doesn't see."""
_PARALLEL = 1e-3
"""Component across the plane below which a ray runs along it."""
_BLOCK = 20_000
"""Poses judged at a time, for the memory's sake."""


@dataclass(frozen=True)
class ResponsePeaks:
    """Places (n, 2) px in a picture that look like a pattern."""

    place: Array
    score: Array  # (n,) 0..1

    def strongest(self, most: int) -> ResponsePeaks:
        """The `most` best of them."""
        order = np.argsort(-self.score)[:most]
        return ResponsePeaks(self.place[order], self.score[order])


@dataclass(frozen=True)
class VehicleLayout:
    """Surveyed marks of one vehicle: places (m, 3) in its axes, m, and their families."""

    names: tuple[str, ...]
    at: Array
    families: tuple[Family, ...]


@dataclass(frozen=True)
class MotionPlane:
    """Where a vehicle moves: `axis` of the ground (0 x, 1 y, 2 z) across it, its origin near
    `middle`, m.
    """

    axis: int
    middle: float


def motion_plane(camera: Camera, offset: float) -> MotionPlane:
    """The ground for a camera that looks down on it steeply enough, else the upright plane
    that faces it: through the test plan's lateral `offset` (m), or across the path.
    """
    view_axis = np.abs(camera.rotation[2])
    if view_axis[2] > np.sin(np.radians(DETECTION.looks_down)):
        return MotionPlane(2, 0.0)
    return MotionPlane(1, offset) if view_axis[1] > view_axis[0] else MotionPlane(0, 0.0)


def pose_hypotheses(
    camera: Camera, plane: MotionPlane, layout: VehicleLayout, seen: dict[Family, ResponsePeaks]
) -> Array:
    """Level poses (n, 4): the origin's place (m) and the heading (rad) by every pair."""
    found = [np.empty((0, 4))]
    rays = {family: camera.rays(peaks.place) for family, peaks in seen.items() if len(peaks.place)}
    for i in range(len(layout.at)):
        for j in range(i + 1, len(layout.at)):
            first, second = rays.get(layout.families[i]), rays.get(layout.families[j])
            if first is None or second is None:
                continue
            one, two = np.divmod(np.arange(len(first) * len(second)), len(second))
            apart = one != two if layout.families[i] == layout.families[j] else one >= 0
            pair = _poses_by_pair(
                camera, plane, layout.at[[i, j]], first[one[apart]], second[two[apart]]
            )
            found.append(pair)
    poses = np.concatenate(found)
    return poses[np.abs(poses[:, 2]) < DETECTION.highest]


def _poses_by_pair(
    camera: Camera, plane: MotionPlane, at: Array, first: Array, second: Array
) -> Array:
    """Poses (n, 4) of a vehicle whose marks at[0] and at[1] lie on rays (k, 3) each."""
    vector = at[1] - at[0]
    if plane.axis == 2:
        if np.hypot(*vector[:2]) < DETECTION.pair_apart:
            return np.empty((0, 4))
        heading = np.zeros(len(first))
        for _ in range(2):
            pose, _, apart = _poses_at_headings(camera, plane, at, first, second, heading)
            turn = np.arctan2(apart[:, 1], apart[:, 0]) - np.arctan2(vector[1], vector[0])
            heading = turn
        pose, fits, _ = _poses_at_headings(camera, plane, at, first, second, heading)
        return pose[fits]
    found = []
    for heading in _HEADINGS:
        pose, fits, _ = _poses_at_headings(
            camera, plane, at, first, second, np.full(len(first), heading)
        )
        found.append(pose[fits])
    return np.concatenate(found)


def _poses_at_headings(
    camera: Camera, plane: MotionPlane, at: Array, first: Array, second: Array, heading: Array
) -> tuple[Array, NDArray[np.bool_], Array]:
    """Poses (k, 4) of these headings (k,), whether they fit both rays, and the vectors (k, 3) from
    the first mark to the second.

    Each mark is its ray's point at a depth set by the origin's distance from the plane; of that
    distance the pair's length decides as far as a pixel's error lets it (least squares, prior).
    """
    axis, k = plane.axis, len(heading)
    across = [a for a in range(3) if a != axis]
    turn = rotation(np.column_stack([np.zeros((k, 2)), heading]))
    vectors = turn @ at.T  # (k, 3, 2)
    ends, slopes = [], []
    for ray, vector in ((first, vectors[:, :, 0]), (second, vectors[:, :, 1])):
        slope = ray / np.where(np.abs(ray[:, axis]) > _PARALLEL, ray[:, axis], np.nan)[:, None]
        reach = plane.middle + vector[:, axis] - camera.position[axis]
        ends.append(camera.position + reach[:, None] * slope)
        slopes.append(slope)
    wanted = (vectors[:, :, 1] - vectors[:, :, 0])[:, across]
    apart, change = (ends[1] - ends[0])[:, across], (slopes[1] - slopes[0])[:, across]
    depth = np.abs(plane.middle - camera.position[axis])
    u = DETECTION.peak_u * depth / camera.lens.matrix[0, 0] * np.sqrt(2.0)
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
    place = 0.5 * (one + two - vectors[:, :, 0] - vectors[:, :, 1])
    allowed = 2.0 * u + DETECTION.foreshortening * np.linalg.norm(wanted, axis=1)
    fits = (misfit < allowed) & (np.abs(off) < DETECTION.plane_reach * PLANE_U[axis])
    return np.column_stack([place, heading]), fits, two - one


def best_poses(
    camera: Camera,
    layout: VehicleLayout,
    poses: Array,
    nearness: dict[Family, Array],
    most: int,
) -> Array:
    """The poses (<= most, 4) that agree best with the picture, different ones only.

    `nearness` (rows, columns) says for each family how well a mark at a pixel would be explained.
    """
    points = np.zeros(len(poses))
    for start in range(0, len(poses), _BLOCK):
        part = poses[start : start + _BLOCK]
        turn = rotation(np.column_stack([np.zeros((len(part), 2)), part[:, 3]]))
        places = part[:, None, :3] + layout.at @ turn.mT
        pixels = camera.project(places.reshape(-1, 3)).reshape(len(part), -1, 2)
        pixels = np.where(np.isfinite(pixels), np.clip(pixels, _OUTSIDE, -_OUTSIDE), _OUTSIDE)
        for m, family in enumerate(layout.families):
            if family in nearness:
                points[start : start + _BLOCK] += _values_at(nearness[family], pixels[:, m])
    distinct: list[int] = []
    for i in np.argsort(-points):
        if points[i] <= 0 or len(distinct) >= most:
            break
        away = poses[distinct] - poses[i] if distinct else np.empty((0, 4))
        turned = np.abs(np.angle(np.exp(1j * away[:, 3])))
        if not np.any(
            (np.linalg.norm(away[:, :3], axis=1) < DETECTION.same_pose)
            & (turned < DETECTION.same_heading)
        ):
            distinct.append(int(i))
    return poses[distinct]


def _values_at(picture: Array, pixels: Array) -> Array:
    rows, columns = picture.shape
    u, v = np.rint(pixels[:, 0]).astype(np.int64), np.rint(pixels[:, 1]).astype(np.int64)
    inside = (u >= 0) & (v >= 0) & (u < columns) & (v < rows)
    return np.where(inside, picture[np.clip(v, 0, rows - 1), np.clip(u, 0, columns - 1)], 0.0)
