"""Residuals of all marks and their normal equations, summed over frames without a Python loop.

Sums run in the B-spline basis (an instant touches four coefficients) and are turned to handles at
the end. Leftover motion of the picture, common to a frame's marks, is eliminated frame by frame
(Schur complement), which is the same as weighting by the full covariance of the frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.camera import PARAMETERS, Array
from tracker.body.attitude import rotation, turned
from tracker.body.setup import POSES, SHARED, Setup
from tracker.body.spline import NEAR


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
    near = []
    marks = e.measured.shape
    points, arms_by_angles = np.zeros((*marks, 3)), np.zeros((*marks, 3, 3))
    rate, turns = np.zeros((*marks, POSES)), np.zeros((*marks, 3, 3))
    for b, body in enumerate(setup.bodies):
        here = body.basis.near(times)
        near.append(here)
        columns = np.flatnonzero(e.body == b)
        if len(columns):
            c = setup.coefficients(values, b)
            pose = _at(here, c)[:, None]
            rate[:, columns] = _at(body.basis.near(times, 1), c)[:, None]
            turns[:, columns] = rotation(pose[..., 3:])
            out, by = turned(pose[..., 3:], setup.arms(values, b)[e.marker[columns]])
            points[:, columns], arms_by_angles[:, columns] = pose[..., :3] + out, by
    on = e.measured
    pixels, by_point, by_camera = setup.camera(values, eye).project_with_derivatives(points[on])
    fine: NDArray[np.bool_] = np.asarray(np.isfinite(pixels).all(axis=1))
    usable = on.copy()
    usable[on] = fine
    w = np.where(fine[:, None, None], e.whiten[on], 0.0)
    by_point = np.where(fine[:, None, None], by_point, 0.0)
    by_camera = np.where(fine[:, None, None], by_camera, 0.0)
    by_point = w @ by_point
    by_pose = np.concatenate([by_point, by_point @ arms_by_angles[on]], axis=2)
    by_shared = np.empty((len(w), 2, SHARED))
    by_shared[:, :, :PARAMETERS] = (w @ by_camera) @ _by_units(setup, values, eye)
    by_shared[:, :, -2] = (by_pose @ rate[on][:, :, None])[:, :, 0]
    frame = np.nonzero(on)[0]
    by_shared[:, :, -1] = by_shared[:, :, -2] * e.seconds[frame][:, None]
    left = np.where(fine[:, None], e.place[on] - pixels, 0.0)
    return Look(
        eye=eye,
        residual=_padded(on, (w @ left[:, :, None])[:, :, 0]),
        usable=usable,
        by_pose=_padded(on, by_pose),
        by_shared=_padded(on, by_shared),
        by_marker=_padded(on, by_point @ turns[on]),
        common=None if e.shared is None else e.whiten @ e.shared,
        near=tuple(near),
    )


def _padded(on: NDArray[np.bool_], values: Array) -> Array:
    out = np.zeros((*on.shape, *values.shape[1:]))
    out[on] = values
    return out


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
    return np.asarray(seen.residual - (seen.common @ motion[:, None])[..., 0])


def misfit(seen: Look, weight: Array) -> float:
    """Weighted sum of squares of one eye's residuals, the frame's common errors taken out."""
    r = seen.residual * np.sqrt(weight)[:, :, None]
    total = float(np.sum(r * r))
    if seen.common is not None:
        c = (seen.common * np.sqrt(weight)[:, :, None, None]).reshape(
            len(r), -1, seen.common.shape[-1]
        )
        y = c.mT @ r.reshape(len(r), -1, 1)
        total -= float(np.sum(y * np.linalg.solve(np.eye(c.shape[-1]) + c.mT @ c, y)))
    return total


def information(setup: Setup, seen: Look, weight: Array) -> tuple[Array, Array]:
    """Normal matrix (count, count) and right side (count,) of one eye, B-spline basis for the
    bodies; `weight` (frames, marks) multiplies each mark's information.
    """
    n = setup.count
    matrix, side = np.zeros((n, n)), np.zeros(n)
    root = np.sqrt(weight)[:, :, None]
    pose, shared, own = (
        d * root[..., None] for d in (seen.by_pose, seen.by_shared, seen.by_marker)
    )
    r = seen.residual * root
    e = setup.eyes[seen.eye]
    others = _other_columns(setup, seen.eye)
    for b in range(len(setup.bodies)):
        columns = np.flatnonzero(e.body == b)
        if len(columns):
            part = _rows(pose[:, columns]), _rows(shared[:, columns]), own[:, columns]
            _add_body(setup, seen, b, columns, part, r[:, columns], others, matrix, side)
    if seen.common is not None:
        _take_common(setup, seen, root, (pose, shared, own, r), others, matrix, side)
    return matrix, side


def _rows(d: Array) -> Array:
    """(frames, marks, 2, k) as (frames, 2 marks, k)."""
    return d.reshape(len(d), -1, d.shape[-1])


def _other_columns(setup: Setup, eye: int) -> NDArray[np.int64]:
    """Unknowns besides the splines that an eye's marks touch: its own, then each mark's three."""
    e = setup.eyes[eye]
    marks = [setup.marker[b].start + 3 * m for b, m in zip(e.body, e.marker, strict=True)]
    own = (np.array(marks)[:, None] + np.arange(3)).ravel()
    return np.concatenate([np.arange(setup.seen_by[eye].start, setup.seen_by[eye].stop), own])


def _add_body(
    setup: Setup,
    seen: Look,
    b: int,
    columns: NDArray[np.int64],
    part: tuple[Array, Array, Array],
    r: Array,
    others: NDArray[np.int64],
    matrix: Array,
    side: Array,
) -> None:
    pose, shared, own = part
    marks = len(columns)
    flat = _rows(r[..., None])
    own_columns = others[SHARED:].reshape(-1, 3)[columns]
    # blocks between a mark and everything else: frames, marks, 2 -> (6 | 17) by 3
    pose_own = pose.reshape(*own.shape[:3], -1).mT @ own
    cross = np.concatenate(
        [pose.mT @ shared, np.moveaxis(pose_own, 1, 2).reshape(len(own), POSES, 3 * marks)], axis=2
    )
    cross_columns = np.concatenate([others[:SHARED], own_columns.ravel()])
    _scatter_pose_pose(setup, seen, b, b, pose.mT @ pose, matrix)
    _scatter_pose(setup, seen, b, cross, cross_columns, matrix)
    side[setup.spline[b]] += _summed(setup, seen, b, (pose.mT @ flat)).ravel()
    mine = others[:SHARED]
    all_shared = shared.reshape(-1, SHARED)
    matrix[np.ix_(mine, mine)] += all_shared.T @ all_shared
    side[mine] += all_shared.T @ flat.ravel()
    shared4 = shared.reshape(*own.shape[:3], SHARED)
    mixed = np.einsum("fmes,fmek->msk", shared4, own, optimize=True)
    for k in range(marks):
        matrix[np.ix_(mine, own_columns[k])] += mixed[k]
        matrix[np.ix_(own_columns[k], mine)] += mixed[k].T
        o = own[:, k].reshape(-1, 3)
        matrix[np.ix_(own_columns[k], own_columns[k])] += o.T @ o
        side[own_columns[k]] += o.T @ r[:, k].ravel()


def _take_common(
    setup: Setup,
    seen: Look,
    root: Array,
    parts: tuple[Array, Array, Array, Array],
    others: NDArray[np.int64],
    matrix: Array,
    side: Array,
) -> None:
    """Subtract what a frame's unknown common motion explains."""
    pose, shared, own, r = parts
    e = setup.eyes[seen.eye]
    assert seen.common is not None
    c = _rows(seen.common * root[..., None])
    # rows Z with Z'Z = J' C (1 + C'C)^-1 C' J
    half = np.linalg.inv(np.linalg.cholesky(np.eye(c.shape[-1]) + c.mT @ c))
    z = half @ c.mT
    z_r = z @ _rows(r[..., None])
    z_marks = z.reshape(*z.shape[:2], -1, 2)
    z_own = np.einsum("fkme,fmej->fkmj", z_marks, own, optimize=True).reshape(*z.shape[:2], -1)
    z_other = np.concatenate([z @ _rows(shared), z_own], axis=2)
    flat = z_other.reshape(-1, z_other.shape[-1])
    matrix[np.ix_(others, others)] -= flat.T @ flat
    side[others] -= flat.T @ z_r.ravel()
    z_pose = {}
    for b in np.unique(e.body):
        on = np.where(e.body == b, 1.0, 0.0)[None, :, None, None]
        z_pose[int(b)] = z @ _rows(pose * on)
    for b, zb in z_pose.items():
        side[setup.spline[b]] -= _summed(setup, seen, b, zb.mT @ z_r).ravel()
        _scatter_pose(setup, seen, b, -(zb.mT @ z_other), others, matrix)
        for d, zd in z_pose.items():
            _scatter_pose_pose(setup, seen, b, d, -(zb.mT @ zd), matrix)


def _summed(setup: Setup, seen: Look, b: int, values: Array) -> Array:
    """Sum over frames of B-spline weights times values (frames, 6, k): (count, 6, k)."""
    first, weight = seen.near[b]
    count = setup.bodies[b].basis.count
    spread = np.zeros((count, len(first)))
    spread[(first[:, None] + np.arange(NEAR)).ravel(), np.repeat(np.arange(len(first)), NEAR)] = (
        weight.ravel()
    )
    return np.asarray((spread @ values.reshape(len(first), -1)).reshape(count, *values.shape[1:]))


def _scatter_pose(
    setup: Setup, seen: Look, b: int, cross: Array, columns: NDArray[np.int64], matrix: Array
) -> None:
    block = _summed(setup, seen, b, cross).reshape(-1, len(columns))
    rows = setup.spline[b]
    matrix[rows, columns] += block
    matrix[columns, rows] += block.T


def _scatter_pose_pose(
    setup: Setup, seen: Look, b: int, d: int, blocks: Array, matrix: Array
) -> None:
    """Add sum over frames of (weights of b x weights of d) times blocks (frames, 6, 6)."""
    (first_b, weight_b), (first_d, weight_d) = seen.near[b], seen.near[d]
    local = np.einsum("fa,fc,fij->faicj", weight_b, weight_d, blocks, optimize=True)
    width = NEAR * POSES
    rows = POSES * first_b[:, None] + np.arange(width)
    columns = POSES * first_d[:, None] + np.arange(width)
    size = [setup.bodies[k].basis.count * POSES for k in (b, d)]
    place = rows[:, :, None] * size[1] + columns[:, None, :]
    total = np.bincount(place.ravel(), local.ravel(), minlength=size[0] * size[1])
    matrix[setup.spline[b], setup.spline[d]] += total.reshape(size)


def on_handles(setup: Setup, matrix: Array, side: Array) -> tuple[Array, Array]:
    """Normal matrix and right side turned from B-spline coefficients to handles."""
    matrix, side = matrix.copy(), side.copy()
    for b, body in enumerate(setup.bodies):
        part, t = setup.spline[b], body.basis.from_handles
        count = body.basis.count
        matrix[part] = (t.T @ matrix[part].reshape(count, -1)).reshape(count * POSES, -1)
        matrix[:, part] = _columns(matrix[:, part], t)
        side[part] = (t.T @ side[part].reshape(count, POSES)).ravel()
    return matrix, side


def _columns(block: Array, t: Array) -> Array:
    """(n, count * 6) @ (t x 1_6)."""
    n, count = len(block), len(t)
    return np.asarray(
        np.einsum("nai,ab->nbi", block.reshape(n, count, POSES), t, optimize=True).reshape(n, -1)
    )
