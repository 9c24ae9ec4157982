"""Gauss-Newton on all unknowns at once: in time's order where films tell, dense where
accelerometers do, or where the intervals of a quiet motion are too short for numbers in time's
order.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model import correlated_errors
from tracker.motion.model.mark_noise import Noise
from tracker.motion.model.unknowns import COMPONENTS, Setup
from tracker.motion.solver import linearization, sparse_step
from tracker.motion.solver.covariance_root import root_in_bspline_basis
from tracker.motion.solver.dense_step import DenseStep, eliminate_error_states, solve_dense
from tracker.motion.solver.linearization import NormalEquations, Point
from tracker.motion.solver.sparse_step import BlockCovariance, SparseStep

BLIND = 0.3
"""A component whose place at contact keeps more than this share of its prior sd is unseen."""


def step(
    setup: Setup, normal: NormalEquations, values: Array, sd: Array, fixed_mask: NDArray[np.bool_]
) -> SparseStep | DenseStep:
    """The step from `values` (count,), where the evidence was taken; unknowns that are `held`
    (count,) stay where they are.
    """
    found = (
        None if setup.sensors else sparse_step.solve_sparse(setup, normal, values, sd, fixed_mask)
    )
    return found or solve_dense(
        setup, eliminate_error_states(setup, normal), values, sd, fixed_mask
    )


def variance_ratio(setup: Setup, solved: SparseStep | DenseStep, sd: Array) -> Array:
    """Posterior over prior variance (count,) of all unknowns."""
    if isinstance(solved, SparseStep):
        return sparse_step.variance_ratio(setup, solved, sd)
    return np.asarray(np.sum(solved.covariance_root**2, axis=1))


def deferred_covariance(
    setup: Setup, normal: NormalEquations, solved: SparseStep | DenseStep, sd: Array
) -> Callable[[], BlockCovariance]:
    """What finds as much of the posterior covariance as the sizing of noise needs. It doesn't hold
    on to the evidence, which takes much room.
    """
    if isinstance(solved, SparseStep):
        return partial(sparse_step.block_covariance, setup, solved)
    found = _dense_covariance(setup, normal, solved, sd)
    return lambda: found


def _dense_covariance(
    setup: Setup, normal: NormalEquations, solved: DenseStep, sd: Array
) -> BlockCovariance:
    covariance_root = root_in_bspline_basis(setup, solved.covariance_root, sd)
    error_states = []
    for camera in normal.cameras:
        rows = camera.rows.copy()
        correlated_errors.whiten(camera.factor, rows)
        error_rows = (
            correlated_errors.whiten_transposed(camera.factor, rows) @ covariance_root[camera.here]
        )
        alone, beside = correlated_errors.inverse_band(camera.factor)
        across = np.sum(error_rows[:, :, 1:] * error_rows[:, :, :-1], axis=(1, 3))
        error_states.append((2 * alone + np.sum(error_rows**2, axis=(1, 3)), 2 * beside + across))
    return BlockCovariance(covariance_root @ covariance_root.T, tuple(error_states))


def unobserved_mask(setup: Setup, variance: Array) -> NDArray[np.bool_]:
    """Unknowns (count,) of components that the marks say next to nothing about, by what is `left`
    (count,) of their variance. They are left where they are believed to be: what is not seen must
    not bend what is, by shrinking the whole motion towards a camera, say. Their uncertainty counts
    in full.
    """
    out = np.zeros(setup.count, dtype=bool)
    for body, part in zip(setup.bodies, setup.spline_slices, strict=True):
        place, rate = (variance[part].reshape(-1, COMPONENTS)[k] > BLIND**2 for k in range(2))
        still = np.tile(place & rate, (body.basis.count, 1))
        still[0] = place
        out[part] = still.ravel()
    return out


def line_search(
    setup: Setup,
    at: Point,
    sd: Array,
    weights: list[Array],
    noise: Sequence[Noise],
    change: Array,
    fixed_mask: NDArray[np.bool_],
) -> Point:
    """The point after a step by `change` (count,); the same one if none is better. A full step
    along a curved valley may climb its side first, so it is given a second step to come down before
    it is shortened.
    """
    enough = at.objective + 1e-9 * abs(at.objective)
    new = linearization.evaluate(setup, at.values + change * sd, sd, weights, noise)
    if new.objective <= enough:
        return new
    if np.isfinite(new.objective):
        normal = linearization.normal_equations(setup, new, weights, noise)
        again = step(setup, normal, new.values, sd, fixed_mask).change
        second = linearization.evaluate(setup, new.values + again * sd, sd, weights, noise)
        if second.objective <= enough:
            return second
    share = 0.4
    while share > 1e-3:
        new = linearization.evaluate(setup, at.values + share * change * sd, sd, weights, noise)
        if new.objective <= enough:
            return new
        share *= 0.3
    return at
