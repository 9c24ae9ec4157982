"""Residuals of all marks and their normal equations.

Sums run in the B-spline basis (an instant touches four coefficients). Leftover motion of the
picture, common to a frame's marks, is eliminated frame by frame (Schur complement), which is the
same as weighting by the full covariance of the frame; then slow errors mark by mark.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import PARAMETERS
from tracker.core.rigid_body import rotation, turned
from tracker.motion.model import correlated_errors, kernels
from tracker.motion.model.mark_noise import Noise
from tracker.motion.model.spline import NEAR
from tracker.motion.model.unknowns import POSES, SHARED, Setup

FRAMES = 500
"""Frames that are looked at together."""
NEGLIGIBLE = 1e-17
"""Share of the largest below which rounding hides an element."""


@dataclass(frozen=True)
class Look:
    """What one camera sees against what it should see, in units of each mark's sd."""

    eye: int
    residual: Array  # (frames, marks, 2), seen less predicted; 0 where not used
    usable: NDArray[np.bool_]  # (frames, marks)
    by_pose: Array  # (frames, marks, 2, 6)
    by_shared: Array  # (frames, marks, 2, 17)
    by_marker: Array  # (frames, marks, 2, 3)
    common: Array | None  # (frames, marks, 2, k)
    near: tuple[tuple[NDArray[np.int64], Array], ...]  # per body: first coefficient, weights


def look(setup: Setup, values: Array, eye: int) -> Look:
    """One eye's residuals and their derivatives by its local unknowns."""
    e = setup.eyes[eye]
    times = setup.times(values, eye)
    marks = e.measured.shape
    seen = Look(
        eye=eye,
        residual=np.zeros((*marks, 2)),
        usable=np.zeros(marks, dtype=bool),
        by_pose=np.zeros((*marks, 2, POSES)),
        by_shared=np.zeros((*marks, 2, SHARED)),
        by_marker=np.zeros((*marks, 2, 3)),
        common=None if e.shared is None else e.whiten @ e.shared,
        near=tuple(body.basis.near(times) for body in setup.bodies),
    )
    for first in range(0, len(times), FRAMES):
        _fill(setup, values, seen, times, slice(first, first + FRAMES))
    return seen


def _fill(setup: Setup, values: Array, seen: Look, times: Array, some: slice) -> None:
    """Puts residuals and derivatives of some frames into a `Look` that is being made."""
    e, on = setup.eyes[seen.eye], setup.eyes[seen.eye].measured[some]
    points, arms_by_angles = np.zeros((*on.shape, 3)), np.zeros((*on.shape, 3, 3))
    rate, turns = np.zeros((*on.shape, POSES)), np.zeros((*on.shape, 3, 3))
    for b, body in enumerate(setup.bodies):
        columns = np.flatnonzero(e.body == b)
        if len(columns):
            c = setup.coefficients(values, b)
            first, weight = seen.near[b]
            pose = _at((first[some], weight[some]), c)[:, None]
            rate[:, columns] = _at(body.basis.near(times[some], 1), c)[:, None]
            turns[:, columns] = rotation(pose[..., 3:])
            out, by = turned(pose[..., 3:], setup.arms(values, b)[e.marker[columns]])
            points[:, columns], arms_by_angles[:, columns] = pose[..., :3] + out, by
    camera = setup.camera(values, seen.eye)
    pixels, by_point, by_camera = camera.project_with_derivatives(points[on])
    fine: NDArray[np.bool_] = np.asarray(np.isfinite(pixels).all(axis=1))
    seen.usable[some][on] = fine
    w = np.where(fine[:, None, None], e.whiten[some][on], 0.0)
    by_point = np.where(fine[:, None, None], by_point, 0.0)
    by_camera = np.where(fine[:, None, None], by_camera, 0.0)
    by_point = _product(w, by_point)
    by_pose = np.concatenate([by_point, _product(by_point, arms_by_angles[on])], axis=2)
    by_camera = _product(w, by_camera).reshape(-1, PARAMETERS) @ _by_units(setup, values, seen.eye)
    by_time = np.einsum("nij,nj->ni", by_pose, rate[on])
    seen.by_pose[some][on] = by_pose
    seen.by_shared[some][on, :, :PARAMETERS] = by_camera.reshape(-1, 2, PARAMETERS)
    seen.by_shared[some][on, :, -2] = by_time
    seen.by_shared[some][on, :, -1] = by_time * e.seconds[some][np.nonzero(on)[0]][:, None]
    seen.by_marker[some][on] = _product(by_point, turns[on])
    left = np.where(fine[:, None], e.place[some][on] - pixels, 0.0)
    seen.residual[some][on] = np.einsum("nij,nj->ni", w, left)


def _product(one: Array, other: Array) -> Array:
    """Products (n, i, k) of many small matrices (n, i, j) and (n, j, k), term by term: `@` would
    take them one by one.
    """
    out = one[:, :, :1] * other[:, None, 0]
    for j in range(1, one.shape[2]):
        out += one[:, :, j : j + 1] * other[:, None, j]
    return np.asarray(out)


def _at(near: tuple[NDArray[np.int64], Array], coefficients: Array) -> Array:
    first, weight = near
    picked = coefficients[first[:, None] + np.arange(NEAR)]
    return np.asarray((weight[:, None] @ picked)[:, 0])


def _by_units(setup: Setup, values: Array, eye: int) -> Array:
    """Derivative of a small further change of the camera by its unit unknowns: the turn of a turned
    camera goes through the left Jacobian of SO(3) (Sola, Deray & Atchuthan 2018, eq. 145).
    """
    e = setup.eyes[eye]
    part = setup.seen_by[eye]
    turn = (e.root @ values[part.start : part.start + PARAMETERS])[:3]
    angle = float(np.linalg.norm(turn))
    jacobian = np.eye(PARAMETERS)
    if angle > 1e-9:
        k = np.cross(np.eye(3), turn / angle).T
        jacobian[:3, :3] += (1 - np.cos(angle)) / angle * k + (1 - np.sin(angle) / angle) * k @ k
    return np.asarray(jacobian @ e.root)


def common_motion(seen: Look, weight: Array) -> Array:
    """Residuals (frames, marks, 2) less the frame's leftover picture motion as estimated."""
    if seen.common is None:
        return seen.residual
    c = seen.common * np.sqrt(weight)[:, :, None, None]
    r = seen.residual * np.sqrt(weight)[:, :, None]
    c2, r2 = c.reshape(len(c), -1, c.shape[-1]), r.reshape(len(r), -1, 1)
    motion = np.linalg.solve(np.eye(c2.shape[-1]) + c2.mT @ c2, c2.mT @ r2)
    return np.asarray(seen.residual - np.einsum("fmik,fk->fmi", seen.common, motion[..., 0]))


def common_share(seen: Look, weight: Array) -> Array:
    """Degrees of freedom (frames, marks) that taking out common errors takes from each mark."""
    if seen.common is None:
        return np.zeros(weight.shape)
    c = seen.common * np.sqrt(weight)[:, :, None, None]
    c2 = c.reshape(len(c), -1, c.shape[-1])
    back = c2 @ np.linalg.inv(np.eye(c2.shape[-1]) + c2.mT @ c2)
    return np.asarray(np.sum(c2 * back, axis=2).reshape(*weight.shape, 2).sum(axis=2))


def slow_errors(setup: Setup, seen: Look, weight: Array, noise: Noise) -> tuple[Array, float]:
    """Slow errors (marks, 2, knots) of one eye's marks as estimated, the motion given, and by how
    much they lower the sum of squares.
    """
    own = setup.eyes[seen.eye].chain
    factor = correlated_errors.factors(own, weight, noise.drift)
    side = correlated_errors.gathered(own, common_motion(seen, weight) * weight[..., None])[
        ..., None
    ]
    correlated_errors.whiten(factor, side)
    return correlated_errors.unwhitened(factor, side)[..., 0], float(np.sum(side**2))


def misfit(setup: Setup, seen: Look, weight: Array, noise: Noise) -> float:
    """Weighted sum of squares of one eye's residuals, common and slow errors taken out."""
    r = seen.residual * weight[:, :, None]
    total = float(np.sum(r * common_motion(seen, weight)))
    if noise.drift.any():
        total -= slow_errors(setup, seen, weight, noise)[1]
    return total


def columns(setup: Setup, eye: int) -> NDArray[np.int64]:
    """Unknowns that an eye's marks touch: all splines', its own, then each mark's three."""
    e = setup.eyes[eye]
    marks = [setup.marker[b].start + 3 * m for b, m in zip(e.body, e.marker, strict=True)]
    own = (np.array(marks)[:, None] + np.arange(3)).ravel()
    mine = np.arange(setup.seen_by[eye].start, setup.seen_by[eye].stop)
    return np.concatenate([np.arange(setup.spline[-1].stop), mine, own])


@dataclass(frozen=True)
class Gathered:
    """What one eye's marks say, on its `columns` (n) and on its marks' slow errors: normal matrices
    and right sides. Without slow errors there are no knots of them.
    """

    here: NDArray[np.int64]  # (n,) the columns
    matrix: Array  # (n, n)
    side: Array  # (n,)
    rows: Array  # (marks, 2, knots, n) between slow errors and columns
    slow_side: Array  # (marks, 2, knots)
    factor: Array  # (marks, knots, 2) of the slow errors' own matrix, `correlated_errors.factors`


def gathered(setup: Setup, seen: Look, weight: Array, noise: Noise) -> Gathered:
    """One eye's normal equations near a point, B-spline basis for the bodies; `weight` (frames,
    marks) multiplies each mark's information.
    """
    e = setup.eyes[seen.eye]
    here, own = columns(setup, seen.eye), e.chain
    n, marks = len(here), len(e.marks)
    knots = own.count if noise.drift.any() else 0
    matrix, side, rows = np.zeros((n, n)), np.zeros(n), np.zeros((2 * marks * knots, n))
    common = np.zeros((*weight.shape, 2, 0)) if seen.common is None else seen.common
    kernels.gather(
        seen.by_pose,
        seen.by_shared,
        seen.by_marker,
        seen.residual,
        weight,
        common,
        e.body,
        *_touched(setup, seen),
        matrix,
        side,
        own.knot,
        own.hat,
        knots,
        rows,
    )
    if not knots:
        none = np.zeros((marks, 0, 2))
        return Gathered(here, matrix, side, rows.reshape(marks, 2, 0, n), none[..., 0:0], none)
    told = correlated_errors.gathered(own, common_motion(seen, weight) * weight[..., None])
    factor = correlated_errors.factors(own, weight, noise.drift)
    return Gathered(here, matrix, side, rows.reshape(marks, 2, knots, n), told, factor)


def lost_to_slow(setup: Setup, told: Gathered) -> tuple[Array, Array]:
    """What slow errors, once eliminated, take from an eye's normal matrix (n, n) and right side
    (n,).
    """
    n, parts = len(told.here), bands(setup, len(told.here))
    matrix, side, slow_side = np.zeros((n, n)), np.zeros(n), told.slow_side[..., None].copy()
    correlated_errors.whiten(told.factor, slow_side)
    for some, rows in correlated_errors.whitened(told.factor, told.rows):
        there = np.ascontiguousarray(rows).reshape(-1, n)
        side += slow_side[:, :, some].ravel() @ there
        on = correlated_errors.touched(there, parts, NEGLIGIBLE)
        for a, b in on:
            for c, d in on:
                matrix[a:b, c:d] += there[:, a:b].T @ there[:, c:d]
    return matrix, side


def bands(setup: Setup, n: int) -> tuple[tuple[int, int], ...]:
    """First and end of the columns of each body's spline and of the rest, of an eye's n."""
    return *((s.start, s.stop) for s in setup.spline), (setup.spline[-1].stop, n)


def taken(setup: Setup, seen: Look, on: NDArray[np.bool_], covariance: Array) -> Array:
    """Variance (frames, marks), both coordinates together, of what is predicted of each mark, in
    its own sds. `covariance` (n, n) is that of the eye's `columns`.
    """
    out = np.zeros(on.shape)
    kernels.leverage(
        seen.by_pose,
        seen.by_shared,
        seen.by_marker,
        on.astype(float),
        setup.eyes[seen.eye].body,
        *_touched(setup, seen),
        covariance,
        out,
    )
    return out


def _touched(setup: Setup, seen: Look) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
    """Each body's first column, and the B-splines that each frame touches."""
    start = np.array([s.start for s in setup.spline], dtype=np.int64)
    first = np.array([f for f, _ in seen.near], dtype=np.int64)
    return start, first, np.array([w for _, w in seen.near])


def on_handles(setup: Setup, matrix: Array) -> Array:
    """A normal matrix turned from B-spline coefficients to handles."""
    matrix = matrix.copy()
    for body, part in zip(setup.bodies, setup.spline, strict=True):
        count, turn = body.basis.count, body.basis.from_handles.T
        rows = turn @ matrix[part].reshape(count, -1)
        matrix[part] = rows.reshape(count * POSES, -1)
        across = np.ascontiguousarray(matrix[:, part].T).reshape(count, -1)
        matrix[:, part] = (turn @ across).reshape(count * POSES, -1).T
    return matrix


def side_on_handles(setup: Setup, side: Array) -> Array:
    """A right side (count,) turned from B-spline coefficients to handles."""
    side = side.copy()
    for body, part in zip(setup.bodies, setup.spline, strict=True):
        side[part] = (body.basis.from_handles.T @ side[part].reshape(-1, POSES)).ravel()
    return side
