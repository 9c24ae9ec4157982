"""The two rounds of a solution.

The first weights marks by a Student t, so that wrong ones lose their pull. The second leaves them
out and updates the noise of each mark and channel by what is left. Between its steps the jerk
densities move to those of the greatest marginal likelihood, and once the knots to where such a
motion needs them.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import Progress
from tracker.motion.model import accelerometer_model, mark_noise, prior
from tracker.motion.model.blows import separate_blows
from tracker.motion.model.knot_placement import refine_knots
from tracker.motion.model.unknowns import COMPONENTS, Setup
from tracker.motion.options import SOLVER
from tracker.motion.robust import outliers
from tracker.motion.solver import gauss_newton, linearization
from tracker.motion.solver.dense_step import DenseStep, eliminate_error_states, solve_dense
from tracker.motion.solver.iterate import Iterate
from tracker.motion.solver.linearization import NormalEquations
from tracker.motion.solver.sparse_step import SparseStep

_STEPS = SOLVER.first_steps + SOLVER.second_steps + SOLVER.last_steps


def first_round(
    setup: Setup, values: Array, jerk_densities: tuple[Array, ...], report_progress: Progress
) -> Iterate:
    """Iterates with Student t weights; unobserved components are frozen first.

    Parameters
    ----------
    values : (count,) to start from.
    jerk_densities : (stretches, 6) a body, unit^2/s^5, kept throughout.
    report_progress : called with ("motion", step, steps).
    """
    iterate = _freeze_unobserved(linearization.first_iterate(setup, values, jerk_densities))
    for step in range(SOLVER.first_steps):
        report_progress("motion", step, _STEPS)
        squares = [
            outliers.squared_distances(s, w)
            for s, w in zip(iterate.linearizations, iterate.weights, strict=True)
        ]
        factors = [max(1.0, outliers.variance_factor(q)) for q in squares]
        weights = tuple(
            outliers.student_weights(q, f) / f for q, f in zip(squares, factors, strict=True)
        )
        iterate, decrement = _weighted_step(iterate, weights)
        if decrement < SOLVER.first_decrement:
            break
    noise = []
    for cam, factor in zip(iterate.setup.cameras, factors, strict=True):
        floor = mark_noise.floor_of_correlated(cam.whitening, cam.measured_mask)
        noise.append(mark_noise.Noise(np.full(len(floor), factor), floor, 0.0, floor))
    inlier_masks = tuple(s.usable_mask for s in iterate.linearizations)
    return replace(iterate, noise=tuple(noise), inlier_masks=inlier_masks)


def _weighted_step(iterate: Iterate, weights: tuple[Array, ...]) -> tuple[Iterate, float]:
    """The iterate after a step under these weights, and the step's decrement."""
    before = linearization.with_objective(replace(iterate, weights=weights))
    step = gauss_newton.solve_step(before, linearization.normal_equations(before))
    return gauss_newton.line_search(before, step.change), step.decrement


def _freeze_unobserved(start: Iterate) -> Iterate:
    setup, densities = start.setup, list(start.jerk_densities)
    step = gauss_newton.solve_step(start, linearization.normal_equations(start))
    fixed_mask = gauss_newton.unobserved_mask(setup, gauss_newton.variance_ratio(start, step))
    for b, part in enumerate(setup.spline_slices):
        blind = fixed_mask[part][COMPONENTS : 2 * COMPONENTS]
        setup = setup.with_body(b, prior.freeze_unobserved(setup.bodies[b], blind))
        densities[b] = np.where(blind, prior.UNSEEN_DENSITY, densities[b])
    values = np.where(fixed_mask, setup.prior_mean(), start.values)
    frozen = replace(start, setup=setup, jerk_densities=tuple(densities), fixed_mask=fixed_mask)
    return linearization.evaluate(frozen, values)


@dataclass(frozen=True)
class IterationResult:
    """What a step of the second round gave. The equations are not kept: the next step's matrices
    need the room.
    """

    iterate: Iterate
    decrement: float
    stuck: bool  # no step was better
    variance_ratio: Array  # (count,) posterior over prior variance
    setup: Setup  # with each channel's noise as its readings show it
    channel_change: float  # by how much that changed, natural logarithm
    noise: tuple[mark_noise.Noise, ...] | None  # of marks, if asked for
    noise_change: float  # by how much that changed


def second_round(
    iterate: Iterate, contact: float, report_progress: Progress, *, free: bool = True
) -> tuple[Iterate, DenseStep]:
    """Iterates with weights 1 or 0 and all that residuals teach, until nothing changes.

    Parameters
    ----------
    contact : time of first contact, s; -inf: not known.
    report_progress : called with ("motion", step, steps).
    free : the noise of marks is updated, and the knots move once the jerk densities are near.
    """
    near, again, converged, jitters = not free, False, False, 0
    steps_before: tuple[Array, ...] | None = None
    for step in range(SOLVER.second_steps):
        report_progress("motion", SOLVER.first_steps + step, _STEPS)
        if step < SOLVER.rejecting_steps:
            iterate = replace(iterate, inlier_masks=_inlier_masks(iterate))
        early = step < SOLVER.update_after
        result = _iterate_once(iterate, free and not early and not converged)
        standardized = result.iterate.standardized_values
        new = prior.update_spectral_density(
            result.iterate.setup,
            result.iterate.jerk_densities,
            standardized,
            result.variance_ratio,
            contact,
            result.iterate.fixed_mask,
            steps_before,
        )
        steps_before = new.steps
        least_change = np.inf if free and not converged else 0.0
        noise_change = least_change if result.noise is None else result.noise_change
        if result.noise is not None and near and noise_change < SOLVER.converged_noise:
            converged = True
        iterate = _update_iterate(result, new.values, step)
        if not near and not early:
            inflated = prior.inflate_outlier_jerks(
                iterate.setup, standardized, result.variance_ratio, contact
            )
            iterate = replace(iterate, setup=inflated)
            if new.change < SOLVER.near:
                steps_before = None
                blows, densities = separate_blows(
                    inflated, new.values, standardized, result.variance_ratio, contact
                )
                if blows is not inflated:
                    iterate = replace(iterate, setup=blows, jerk_densities=densities)
                    again = True
                    continue
                near, again = not again, False  # on finer knots a blow's ends are sharper
                iterate = refine_knots(iterate)
                continue
        if not near or max(new.change, result.channel_change, noise_change) >= SOLVER.converged:
            continue
        jittered = _with_jitter(iterate) if jitters < SOLVER.jitter_estimates else iterate
        jitters += 1
        if jittered is not iterate:
            iterate, converged = jittered, False
        elif result.decrement < SOLVER.second_decrement or result.stuck:
            break
    iterate, last = _converge(iterate)
    report_progress("motion", _STEPS, _STEPS)
    return iterate, last


def _iterate_once(iterate: Iterate, update_noise: bool) -> IterationResult:
    """One step, and what its residuals show; of marks' noise if asked. Variances are found beside
    the step's trial, which needs none of them.
    """
    before, normal, step = _solve(iterate)
    with ThreadPoolExecutor(1) as beside:
        ratio = beside.submit(gauss_newton.variance_ratio, before, step)
        covariance = None
        if update_noise:
            covariance = beside.submit(gauss_newton.deferred_covariance(before, normal, step))
        normal = linearization.drop_rows(normal)
        after = gauss_newton.line_search(before, step.change)
    setup, channel_change = after.setup, 0.0
    if isinstance(step, DenseStep):
        setup, channel_change = accelerometer_model.update_channel_noise(
            setup, after.sensor_residuals, step.covariance_root, after.sd
        )
    noise, noise_change = None, 0.0
    if covariance is not None:
        noise, noise_change = outliers.update_mark_noise(after, normal, covariance.result())
    return IterationResult(
        iterate=after,
        decrement=step.decrement,
        stuck=after is before,
        variance_ratio=ratio.result(),
        setup=setup,
        channel_change=channel_change,
        noise=noise,
        noise_change=noise_change,
    )


def _update_iterate(result: IterationResult, densities: tuple[Array, ...], step: int) -> Iterate:
    """The iterate under what a step's residuals showed."""
    old = result.iterate.noise
    noise = result.noise or old
    if step >= SOLVER.damped_noise_after:
        noise = tuple(map(mark_noise.mean_noise, old, noise))
    return replace(result.iterate, setup=result.setup, jerk_densities=densities, noise=noise)


def _converge(iterate: Iterate) -> tuple[Iterate, DenseStep]:
    """The iterate after the last steps, nothing else changing, and the dense step at their end."""
    films = not iterate.setup.sensors
    tolerance = SOLVER.last_decrement if films else SOLVER.last_decrement_sensors
    for _ in range(SOLVER.last_steps):
        iterate, decrement = _last_step(iterate)
        if decrement < tolerance:
            break
    equations = eliminate_error_states(iterate.setup, linearization.normal_equations(iterate))
    return iterate, solve_dense(iterate, equations)


def _last_step(iterate: Iterate) -> tuple[Iterate, float]:
    """The iterate after a step, and the step's decrement; 0 if no step is better. What the step
    rested on is given up here, before the next needs its room.
    """
    before, _, step = _solve(iterate)
    after = gauss_newton.line_search(before, step.change)
    return after, 0.0 if after is before else step.decrement


def _solve(iterate: Iterate) -> tuple[Iterate, NormalEquations, SparseStep | DenseStep]:
    """The iterate under the weights that its noise asks for, its normal equations, and the step."""
    weights = tuple(
        on / (n.frame_variance * n.variance_inflation)
        for on, n in zip(iterate.inlier_masks, iterate.noise, strict=True)
    )
    if iterate.softness:
        weights = tuple(w / s for w, s in zip(weights, iterate.softness, strict=True))
    iterate = linearization.with_objective(replace(iterate, weights=weights))
    normal = linearization.normal_equations(iterate)
    return iterate, normal, gauss_newton.solve_step(iterate, normal)


def _inlier_masks(iterate: Iterate) -> tuple[NDArray[np.bool_], ...]:
    """Marks (frames, marks) a camera that the solution as it stands doesn't contradict."""
    out: list[NDArray[np.bool_]] = []
    for lin, weight, own in zip(
        iterate.linearizations, iterate.weights, iterate.noise, strict=True
    ):
        square = outliers.squared_distances(lin, weight) / outliers.capped_variance(own.total)
        if iterate.softness:
            square = square / iterate.softness[len(out)]
        out.append(outliers.inlier_mask(square, max(1.0, outliers.variance_factor(square))))
    return tuple(out)


def _with_jitter(iterate: Iterate) -> Iterate:
    """The iterate with the common jitter of each camera's frames as its residuals show it; the same
    one if that changes little.
    """
    cameras = iterate.setup.cameras
    found = [
        outliers.common_jitter(cam, lin, on)
        for cam, lin, on in zip(cameras, iterate.linearizations, iterate.inlier_masks, strict=True)
    ]
    least = SOLVER.jitter_change
    if all(
        abs(f - cam.jitter_sd) <= least * cam.jitter_sd
        for f, cam in zip(found, cameras, strict=True)
    ):
        return iterate
    jittered = tuple(replace(cam, jitter_sd=f) for cam, f in zip(cameras, found, strict=True))
    setup = replace(iterate.setup, cameras=jittered)
    return linearization.evaluate(replace(iterate, setup=setup), iterate.values)
