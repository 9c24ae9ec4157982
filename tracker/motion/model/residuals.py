"""Residuals of all marks, their derivatives and normal equations.

Sums run in the B-spline basis (an instant touches four coefficients). Leftover motion of the
picture, common to a frame's marks, is eliminated frame by frame (Schur complement), which is the
same as weighting by the full covariance of the frame; then error states mark by mark.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import PARAMETERS
from tracker.core.rigid_body import rotate_vectors, rotation
from tracker.motion.model import correlated_errors, kernels
from tracker.motion.model.leverage import sum_leverage
from tracker.motion.model.mark_noise import Noise
from tracker.motion.model.spline import SPLINE_ORDER
from tracker.motion.model.unknowns import CAMERA_UNKNOWNS, COMPONENTS, Setup

_FRAMES_AT_A_TIME = 500
_NEGLIGIBLE = 1e-17
"""Share of the largest below which rounding hides an element."""


@dataclass(frozen=True)
class Linearization:
    """Residuals of one camera's marks and their derivatives by the camera's local unknowns, in
    units of each mark's sd.
    """

    camera_index: int
    residual: Array  # (frames, marks, 2), seen less predicted; 0 where not used
    usable_mask: NDArray[np.bool_]  # (frames, marks)
    by_pose: Array  # (frames, marks, 2, 6)
    by_shared: Array  # (frames, marks, 2, 17)
    by_marker: Array  # (frames, marks, 2, 3)
    common: Array | None  # (frames, marks, 2, k)
    bsplines: tuple[tuple[NDArray[np.int64], Array], ...]  # per body: first coefficient, weights


class _Buffers(NamedTuple):
    """Arrays of a `Linearization` that is being made, shapes as there."""

    residual: Array
    usable_mask: NDArray[np.bool_]
    by_pose: Array
    by_shared: Array
    by_marker: Array


class _Points(NamedTuple):
    """Marks in the bodies' motion at some frames, ground axes."""

    place: Array  # (frames, marks, 3) m
    by_angles: Array  # (frames, marks, 3, 3) m/rad
    rate: Array  # (frames, marks, 6) of the body's pose, m/s and rad/s
    rotation: Array  # (frames, marks, 3, 3) from vehicle axes


def linearize(setup: Setup, values: Array, camera_index: int) -> Linearization:
    """One camera's residuals and their derivatives at `values` (count,)."""
    cam = setup.cameras[camera_index]
    marks = cam.measured_mask.shape
    out = _Buffers(
        residual=np.zeros((*marks, 2)),
        usable_mask=np.zeros(marks, dtype=bool),
        by_pose=np.zeros((*marks, 2, COMPONENTS)),
        by_shared=np.zeros((*marks, 2, CAMERA_UNKNOWNS)),
        by_marker=np.zeros((*marks, 2, 3)),
    )
    for first in range(0, len(cam.seconds), _FRAMES_AT_A_TIME):
        _fill(setup, values, camera_index, slice(first, first + _FRAMES_AT_A_TIME), out)
    times = setup.times(values, camera_index)
    return Linearization(
        camera_index=camera_index,
        **out._asdict(),
        common=None if cam.common_errors is None else cam.whitening @ cam.common_errors,
        bsplines=tuple(body.basis.local_bsplines(times) for body in setup.bodies),
    )


def _fill(setup: Setup, values: Array, camera_index: int, some: slice, out: _Buffers) -> None:
    """Puts residuals and derivatives of some frames into `out`."""
    cam = setup.cameras[camera_index]
    on = cam.measured_mask[some]
    points = _points(setup, values, camera_index, some)
    camera = setup.camera(values, camera_index)
    pixels, by_point, by_camera = camera.project_with_derivatives(points.place[on])
    fine: NDArray[np.bool_] = np.asarray(np.isfinite(pixels).all(axis=1))
    out.usable_mask[some][on] = fine
    w = np.where(fine[:, None, None], cam.whitening[some][on], 0.0)
    by_point = _product(w, np.where(fine[:, None, None], by_point, 0.0))
    by_camera = _product(w, np.where(fine[:, None, None], by_camera, 0.0))
    by_pose = np.concatenate([by_point, _product(by_point, points.by_angles[on])], axis=2)
    by_unit = by_camera.reshape(-1, PARAMETERS) @ _unit_jacobian(setup, values, camera_index)
    by_time = np.einsum("nij,nj->ni", by_pose, points.rate[on])
    out.by_pose[some][on] = by_pose
    out.by_shared[some][on, :, :PARAMETERS] = by_unit.reshape(-1, 2, PARAMETERS)
    out.by_shared[some][on, :, -2] = by_time
    out.by_shared[some][on, :, -1] = by_time * cam.seconds[some][np.nonzero(on)[0]][:, None]
    out.by_marker[some][on] = _product(by_point, points.rotation[on])
    difference = np.where(fine[:, None], cam.place[some][on] - pixels, 0.0)
    out.residual[some][on] = np.einsum("nij,nj->ni", w, difference)


def _points(setup: Setup, values: Array, camera_index: int, some: slice) -> _Points:
    cam = setup.cameras[camera_index]
    shape = cam.measured_mask[some].shape
    times = setup.times(values, camera_index)[some]
    place, by_angles = np.zeros((*shape, 3)), np.zeros((*shape, 3, 3))
    rate, turns = np.zeros((*shape, COMPONENTS)), np.zeros((*shape, 3, 3))
    for b, body in enumerate(setup.bodies):
        columns = np.flatnonzero(cam.body == b)
        if len(columns):
            c = setup.coefficients(values, b)
            pose = _spline_values(body.basis.local_bsplines(times), c)[:, None]
            rate[:, columns] = _spline_values(body.basis.local_bsplines(times, 1), c)[:, None]
            turns[:, columns] = rotation(pose[..., 3:])
            offsets, by = rotate_vectors(
                pose[..., 3:], setup.lever_arms(values, b)[cam.marker[columns]]
            )
            place[:, columns], by_angles[:, columns] = pose[..., :3] + offsets, by
    return _Points(place, by_angles, rate, turns)


def _product(one: Array, other: Array) -> Array:
    """Products (n, i, k) of many small matrices (n, i, j) and (n, j, k), term by term: `@` would
    take them one by one.
    """
    out = one[:, :, :1] * other[:, None, 0]
    for j in range(1, one.shape[2]):
        out += one[:, :, j : j + 1] * other[:, None, j]
    return np.asarray(out)


def _spline_values(near: tuple[NDArray[np.int64], Array], coefficients: Array) -> Array:
    first, weight = near
    picked = coefficients[first[:, None] + np.arange(SPLINE_ORDER)]
    return np.asarray((weight[:, None] @ picked)[:, 0])


def _unit_jacobian(setup: Setup, values: Array, camera_index: int) -> Array:
    """Derivative of a small further change of the camera by its unit unknowns. A further turn goes
    through the left Jacobian of SO(3) (Sola, Deray & Atchuthan 2018, eq. 145).
    """
    cam = setup.cameras[camera_index]
    part = setup.camera_slices[camera_index]
    turn = (cam.covariance_root @ values[part.start : part.start + PARAMETERS])[:3]
    angle = float(np.linalg.norm(turn))
    jacobian = np.eye(PARAMETERS)
    if angle > 1e-9:
        k = np.cross(np.eye(3), turn / angle).T
        jacobian[:3, :3] += (1 - np.cos(angle)) / angle * k + (1 - np.sin(angle) / angle) * k @ k
    return np.asarray(jacobian @ cam.covariance_root)


def without_common_errors(lin: Linearization, weight: Array) -> Array:
    """Residuals (frames, marks, 2) less the frame's leftover picture motion as estimated."""
    if lin.common is None:
        return lin.residual
    c = lin.common * np.sqrt(weight)[:, :, None, None]
    r = lin.residual * np.sqrt(weight)[:, :, None]
    c2, r2 = c.reshape(len(c), -1, c.shape[-1]), r.reshape(len(r), -1, 1)
    motion = np.linalg.solve(np.eye(c2.shape[-1]) + c2.mT @ c2, c2.mT @ r2)
    return np.asarray(lin.residual - np.einsum("fmik,fk->fmi", lin.common, motion[..., 0]))


def dof_of_common_errors(lin: Linearization, weight: Array) -> Array:
    """Degrees of freedom (frames, marks) that taking out common errors takes from each mark."""
    if lin.common is None:
        return np.zeros(weight.shape)
    c = lin.common * np.sqrt(weight)[:, :, None, None]
    c2 = c.reshape(len(c), -1, c.shape[-1])
    back = c2 @ np.linalg.inv(np.eye(c2.shape[-1]) + c2.mT @ c2)
    return np.asarray(np.sum(c2 * back, axis=2).reshape(*weight.shape, 2).sum(axis=2))


def estimate_error_states(
    setup: Setup, lin: Linearization, weight: Array, noise: Noise
) -> tuple[Array, float]:
    """Error states (marks, 2, knots) of one camera's marks as estimated, the motion given, and by
    how much they lower the sum of squares.

    Parameters
    ----------
    lin : residuals, in the marks' sds.
    weight : (frames, marks) factor on each mark's information.
    noise : its `correlated_variance` is the states' prior variance.
    """
    own = setup.cameras[lin.camera_index].error_chain
    factor = correlated_errors.cholesky_factors(own, weight, noise.correlated_variance)
    side = correlated_errors.sum_by_knots(
        own, without_common_errors(lin, weight) * weight[..., None]
    )[..., None]
    correlated_errors.whiten(factor, side)
    return correlated_errors.whiten_transposed(factor, side)[..., 0], float(np.sum(side**2))


def misfit(setup: Setup, lin: Linearization, weight: Array, noise: Noise) -> float:
    """Weighted sum of squares of one camera's residuals, common and correlated errors taken out.

    Parameters
    ----------
    lin : residuals, in the marks' sds.
    weight : (frames, marks) factor on each mark's information.
    noise : its `correlated_variance` is the error states' prior variance.
    """
    r = lin.residual * weight[:, :, None]
    total = float(np.sum(r * without_common_errors(lin, weight)))
    if noise.correlated_variance.any():
        total -= estimate_error_states(setup, lin, weight, noise)[1]
    return total


def columns(setup: Setup, camera_index: int) -> NDArray[np.int64]:
    """Unknowns that a camera's marks touch: all splines', its own, then each mark's three."""
    cam = setup.cameras[camera_index]
    marks = [
        setup.marker_slices[b].start + 3 * m for b, m in zip(cam.body, cam.marker, strict=True)
    ]
    own = (np.array(marks)[:, None] + np.arange(3)).ravel()
    mine = np.arange(
        setup.camera_slices[camera_index].start, setup.camera_slices[camera_index].stop
    )
    return np.concatenate([np.arange(setup.spline_slices[-1].stop), mine, own])


@dataclass(frozen=True)
class CameraEquations:
    """Normal equations of one camera's marks, on its `columns` (n) and on its marks' error states.
    Without correlated errors there are no knots.
    """

    here: NDArray[np.int64]  # (n,) the columns
    matrix: Array  # (n, n)
    side: Array  # (n,)
    rows: Array  # (marks, 2, knots, n) between error states and columns
    error_side: Array  # (marks, 2, knots)
    factor: Array  # (marks, knots, 2) of the error states' matrix, `cholesky_factors`


def camera_equations(
    setup: Setup, lin: Linearization, weight: Array, noise: Noise
) -> CameraEquations:
    """One camera's normal equations, in the B-spline basis for the bodies.

    Parameters
    ----------
    lin : residuals and derivatives at the values.
    weight : (frames, marks) factor on each mark's information; 0: not used.
    noise : its `correlated_variance` says which marks have error states.
    """
    cam = setup.cameras[lin.camera_index]
    here, own = columns(setup, lin.camera_index), cam.error_chain
    n, marks = len(here), len(cam.marks)
    knots = own.count if noise.correlated_variance.any() else 0
    sums = kernels.Sums(np.zeros((n, n)), np.zeros(n), np.zeros((2 * marks * knots, n)))
    kernels.sum_equations(
        _terms(setup, lin, weight),
        _spline_columns(setup, lin),
        kernels.ErrorKnots(own.knot, own.linear_weights, knots),
        sums,
    )
    rows = sums.error_rows.reshape(marks, 2, knots, n)
    if not knots:
        none = np.zeros((marks, 0, 2))
        return CameraEquations(here, sums.matrix, sums.side, rows, none[..., 0:0], none)
    residual = without_common_errors(lin, weight) * weight[..., None]
    error_side = correlated_errors.sum_by_knots(own, residual)
    factor = correlated_errors.cholesky_factors(own, weight, noise.correlated_variance)
    return CameraEquations(here, sums.matrix, sums.side, rows, error_side, factor)


def _terms(setup: Setup, lin: Linearization, weight: Array) -> kernels.MarkTerms:
    return kernels.MarkTerms(
        pose=lin.by_pose,
        shared=lin.by_shared,
        own=lin.by_marker,
        residual=lin.residual,
        common=np.zeros((*weight.shape, 2, 0)) if lin.common is None else lin.common,
        weight=weight,
        body=setup.cameras[lin.camera_index].body,
    )


def _spline_columns(setup: Setup, lin: Linearization) -> kernels.SplineColumns:
    return kernels.SplineColumns(
        start=np.array([s.start for s in setup.spline_slices], dtype=np.int64),
        first=np.array([f for f, _ in lin.bsplines], dtype=np.int64),
        value=np.array([w for _, w in lin.bsplines]),
    )


def error_schur_complement(setup: Setup, equations: CameraEquations) -> tuple[Array, Array]:
    """What error states, once eliminated, take from a camera's normal matrix (n, n) and right side
    (n,): B' M^-1 B and B' M^-1 s, by M = L L'.
    """
    n, parts = len(equations.here), bands(setup, len(equations.here))
    matrix, side, error_side = np.zeros((n, n)), np.zeros(n), equations.error_side[..., None].copy()
    correlated_errors.whiten(equations.factor, error_side)
    for some, rows in correlated_errors.whitened_chunks(equations.factor, equations.rows):
        there = np.ascontiguousarray(rows).reshape(-1, n)
        side += error_side[:, :, some].ravel() @ there
        on = correlated_errors.touched_ranges(there, parts, _NEGLIGIBLE)
        for a, b in on:
            for c, d in on:
                matrix[a:b, c:d] += there[:, a:b].T @ there[:, c:d]
    return matrix, side


def bands(setup: Setup, n: int) -> tuple[tuple[int, int], ...]:
    """First and end of the columns of each body's spline and of the rest, of a camera's n."""
    return *((s.start, s.stop) for s in setup.spline_slices), (setup.spline_slices[-1].stop, n)


def leverage(setup: Setup, lin: Linearization, on: NDArray[np.bool_], covariance: Array) -> Array:
    """Variance (frames, marks) of what is predicted of each mark, both coordinates together, in its
    own sds.

    Parameters
    ----------
    on : (frames, marks) marks that are wanted; 0 elsewhere.
    covariance : (n, n) of the camera's `columns`.
    """
    out = np.zeros(on.shape)
    terms = _terms(setup, lin, on.astype(float))
    sum_leverage(terms, _spline_columns(setup, lin), covariance, out)
    return out


def matrix_in_jerk_basis(setup: Setup, matrix: Array) -> Array:
    """A normal matrix in the jerk basis, from B-spline coefficients."""
    matrix = matrix.copy()
    for body, part in zip(setup.bodies, setup.spline_slices, strict=True):
        count, turn = body.basis.count, body.basis.from_jerk_basis.T
        rows = turn @ matrix[part].reshape(count, -1)
        matrix[part] = rows.reshape(count * COMPONENTS, -1)
        across = np.ascontiguousarray(matrix[:, part].T).reshape(count, -1)
        matrix[:, part] = (turn @ across).reshape(count * COMPONENTS, -1).T
    return matrix


def side_in_jerk_basis(setup: Setup, side: Array) -> Array:
    """A right side (count,) in the jerk basis, from B-spline coefficients."""
    side = side.copy()
    for body, part in zip(setup.bodies, setup.spline_slices, strict=True):
        side[part] = (body.basis.from_jerk_basis.T @ side[part].reshape(-1, COMPONENTS)).ravel()
    return side
