"""Gauss-Newton steps on all unknowns at once.

With films alone a step is found by sparse algebra in the order of time; with accelerometers, whose
vibration couples all times, by dense algebra. Dense algebra also serves where the intervals of a
quiet motion are too short for the digits of the sparse one.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model import correlated_errors
from tracker.motion.model.unknowns import COMPONENTS, Setup
from tracker.motion.options import SOLVER
from tracker.motion.solver import linearization, sparse_step
from tracker.motion.solver.covariance_root import root_in_bspline_basis
from tracker.motion.solver.dense_step import DenseStep, eliminate_error_states, solve_dense
from tracker.motion.solver.iterate import Iterate
from tracker.motion.solver.linearization import NormalEquations
from tracker.motion.solver.sparse_step import BlockCovariance, SparseStep


def solve_step(iterate: Iterate, normal: NormalEquations) -> SparseStep | DenseStep:
    """The step from an iterate, where `normal` was taken; its fixed unknowns stay."""
    sensors = iterate.setup.sensors
    found = None if sensors else sparse_step.solve_sparse(iterate, normal)
    return found or solve_dense(iterate, eliminate_error_states(iterate.setup, normal))


def variance_ratio(iterate: Iterate, step: SparseStep | DenseStep) -> Array:
    """Posterior over prior variance (count,) of all unknowns."""
    if isinstance(step, SparseStep):
        return sparse_step.variance_ratio(iterate, step)
    return np.asarray(np.sum(step.covariance_root**2, axis=1))


def deferred_covariance(
    iterate: Iterate, normal: NormalEquations, step: SparseStep | DenseStep
) -> Callable[[], BlockCovariance]:
    """A call that finds as much of the posterior covariance as the update of noise needs. It
    doesn't keep the equations, which take much room.
    """
    if isinstance(step, SparseStep):
        return partial(sparse_step.block_covariance, iterate.setup, step)
    found = _dense_covariance(iterate, normal, step)
    return lambda: found


def _dense_covariance(
    iterate: Iterate, normal: NormalEquations, step: DenseStep
) -> BlockCovariance:
    root = root_in_bspline_basis(iterate.setup, step.covariance_root, iterate.sd)
    error_states = []
    for camera in normal.cameras:
        rows = camera.rows.copy()
        correlated_errors.whiten(camera.factor, rows)
        through = correlated_errors.whiten_transposed(camera.factor, rows) @ root[camera.here]
        alone, beside = correlated_errors.inverse_band(camera.factor)
        across = np.sum(through[:, :, 1:] * through[:, :, :-1], axis=(1, 3))
        error_states.append((2 * alone + np.sum(through**2, axis=(1, 3)), 2 * beside + across))
    return BlockCovariance(root @ root.T, tuple(error_states))


def unobserved_mask(setup: Setup, ratio: Array) -> NDArray[np.bool_]:
    """Unknowns (count,) of components that the marks hardly determine, by posterior over prior
    variance (count,).

    They are fixed at their prior mean: what is not seen must not bend what is, by shrinking the
    whole motion towards a camera, say. Their uncertainty counts in full.
    """
    out = np.zeros(setup.count, dtype=bool)
    limit = SOLVER.unobserved_sd**2
    for body, part in zip(setup.bodies, setup.spline_slices, strict=True):
        place, rate = (ratio[part].reshape(-1, COMPONENTS)[k] > limit for k in range(2))
        fixed = np.tile(place & rate, (body.basis.count, 1))
        fixed[0] = place
        out[part] = fixed.ravel()
    return out


def line_search(iterate: Iterate, change: Array) -> Iterate:
    """The iterate after a step by `change` (count,), prior sds; the same one if none is better.

    A full step along a curved valley may climb its side first. So it is given a second step to come
    down before it is shortened.
    """
    sd = iterate.sd
    enough = iterate.objective + SOLVER.objective_tolerance * abs(iterate.objective)
    new = linearization.evaluate(iterate, iterate.values + change * sd)
    if new.objective <= enough:
        return new
    if np.isfinite(new.objective):
        again = solve_step(new, linearization.normal_equations(new)).change
        second = linearization.evaluate(new, new.values + again * sd)
        if second.objective <= enough:
            return second
    share = SOLVER.first_shortening
    while share > SOLVER.shortest_step:
        new = linearization.evaluate(iterate, iterate.values + share * change * sd)
        if new.objective <= enough:
            return new
        share *= SOLVER.shortening
    return iterate
