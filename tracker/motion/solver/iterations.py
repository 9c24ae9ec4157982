"""The two rounds of a solution.

The first weights marks by a Student t, so that wrong ones lose their pull; the second leaves them
out and sizes the noise of each mark and channel by what is left. In the second the smoothness
strengths move to those of the greatest marginal likelihood between steps, and the knots to where
such a motion needs them.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import Progress
from tracker.motion.model import accelerometer_model, mark_noise, prior
from tracker.motion.model.knot_placement import refine_knots
from tracker.motion.model.unknowns import COMPONENTS, Setup
from tracker.motion.robust import outliers
from tracker.motion.solver import gauss_newton, linearization
from tracker.motion.solver.dense_step import DenseStep, eliminate_error_states, solve_dense
from tracker.motion.solver.iterate import Iterate
from tracker.motion.solver.sparse_step import SparseStep

FIRST, SECOND, LAST = 12, 27, 8
"""Most steps of the first round, of the second, and then of coming to rest, when nothing else
changes."""
SHAKES = 4
"""Most estimates of a common shift of a frame's marks."""
ENOUGH = {False: 1e-5, True: 1e-2}
"""Squared last step, in posterior sds, without and with accelerometers (whose step at contact bends
the way of the last steps). What is left after it is smaller by as much again.
"""
SWINGS = 12
"""Steps after which the size of marks' errors goes half of its way only: it may swing between two
sizes of which each follows from the other.
"""
SPLINE_ORDER = 1.0
STILL = 0.15
"""Strengths that change by less (natural logarithm) are near; strengths and noise have converged.
"""


def first_round(
    setup: Setup, values: Array, jerk_densities: tuple[Array, ...], report_progress: Progress
) -> tuple[Setup, Iterate]:
    """Student t weights; components that the marks say nothing about are found and set to rest."""
    unit = tuple(mark_noise.unit_noise(len(cam.marks)) for cam in setup.cameras)
    setup, values, jerk_densities, fixed_mask = _freeze_unobserved(
        setup, values, jerk_densities, unit
    )
    sd = prior.prior_sds(setup, jerk_densities)
    weights = [cam.measured.astype(float) for cam in setup.cameras]
    at = linearization.evaluate(setup, values, sd, weights, unit)
    for step in range(FIRST):
        report_progress("motion", step, FIRST + SECOND + LAST)
        squares = [
            outliers.squared_distances(s, w)
            for s, w in zip(at.linearizations, weights, strict=True)
        ]
        factors = [max(1.0, outliers.variance_factor(q)) for q in squares]
        weights = [
            outliers.student_weights(q, f) / f for q, f in zip(squares, factors, strict=True)
        ]
        at = linearization.reweight(setup, at, sd, weights, unit)
        at, decrement = _take_step(setup, at, sd, weights, unit, fixed_mask)
        if decrement < 100.0:
            break
    inlier_masks = [s.usable for s in at.linearizations]
    noise = []
    for cam, factor in zip(setup.cameras, factors, strict=True):
        least = mark_noise.floor_of_correlated(cam.whitening, cam.measured)
        noise.append(mark_noise.Noise(np.full(len(least), factor), least, 0.0, least))
    return setup, Iterate(at, jerk_densities, weights, tuple(noise), inlier_masks, fixed_mask)


def _freeze_unobserved(
    setup: Setup,
    values: Array,
    jerk_densities: tuple[Array, ...],
    unit: tuple[mark_noise.Noise, ...],
) -> tuple[Setup, Array, tuple[Array, ...], NDArray[np.bool_]]:
    sd = prior.prior_sds(setup, jerk_densities)
    weights = [cam.measured.astype(float) for cam in setup.cameras]
    at = linearization.evaluate(setup, values, sd, weights, unit)
    normal = linearization.normal_equations(setup, at, weights, unit)
    free = np.zeros(setup.count, dtype=bool)
    first = gauss_newton.step(setup, normal, at.values, sd, free)
    fixed_mask = gauss_newton.unobserved_mask(setup, gauss_newton.variance_ratio(setup, first, sd))
    out = list(jerk_densities)
    for b, part in enumerate(setup.spline_slices):
        blind = fixed_mask[part][COMPONENTS : 2 * COMPONENTS]
        setup = setup.with_body(b, prior.freeze_unobserved(setup.bodies[b], blind))
        out[b] = np.where(blind, prior.UNSEEN_DENSITY, jerk_densities[b])
    return setup, np.where(fixed_mask, setup.prior_mean(), values), tuple(out), fixed_mask


def _take_step(
    setup: Setup,
    at: linearization.Point,
    sd: Array,
    weights: list[Array],
    noise: tuple[mark_noise.Noise, ...],
    fixed_mask: NDArray[np.bool_],
) -> tuple[linearization.Point, float]:
    """The point after a step, and the step's squared length in posterior sds."""
    normal = linearization.normal_equations(setup, at, weights, noise)
    step = gauss_newton.step(setup, normal, at.values, sd, fixed_mask)
    return gauss_newton.line_search(
        setup, at, sd, weights, noise, step.change, fixed_mask
    ), step.decrement


@dataclass(frozen=True)
class IterationResult:
    """What a step of the second round gave. The evidence is not kept: the next step's matrices need
    the room.
    """

    iterate: Iterate
    decrement: float
    stuck: bool  # no step was better
    unit: Array  # (count,) estimate less prior mean in prior sds
    variance_ratio: Array  # (count,) posterior over prior variance
    updated: Setup  # with each channel's noise as its readings show it
    changed: float  # by how much that changed, natural logarithm
    noise: tuple[mark_noise.Noise, ...] | None  # of marks, if asked for
    moved: float  # by how much that changed


def second_round(
    setup: Setup, iterate: Iterate, contact: float, report_progress: Progress, *, free: bool = True
) -> tuple[Setup, Iterate, DenseStep]:
    """Weights 1 or 0, and all that is learned from the residuals, until it stands still. If `free`,
    the noise of marks is sized, and the knots move once the strengths are near.
    """
    densities_near, noise_settled, jitter_estimates = not free, False, 0
    steps_before: tuple[Array, ...] | None = None
    for step in range(SECOND):
        report_progress("motion", FIRST + step, FIRST + SECOND + LAST)
        if step < 6:
            iterate = replace(iterate, inlier_masks=_inlier_masks(setup, iterate))
        resize = free and step > 1 and not noise_settled
        result = _iterate_once(setup, iterate, resize)
        iterate = result.iterate
        new = prior.update_spectral_density(
            setup,
            iterate.jerk_densities,
            result.unit,
            result.variance_ratio,
            contact,
            iterate.fixed_mask,
            steps_before,
        )
        steps_before = new.steps
        moved = result.moved if resize else 0.0 if noise_settled or not free else np.inf
        noise_settled = noise_settled or (resize and densities_near and moved < STILL / 5)
        noise = result.noise or iterate.noise
        if step >= SWINGS:
            noise = tuple(map(mark_noise.mean_noise, iterate.noise, noise))
        iterate = replace(iterate, jerk_densities=new.values, noise=noise)
        setup = result.updated
        if not densities_near and step >= 2:
            setup = prior.inflate_outlier_jerks(setup, result.unit, result.variance_ratio, contact)
        if not densities_near and step >= 2 and new.change < SPLINE_ORDER:
            densities_near, steps_before = True, None
            setup, iterate = refine_knots(setup, iterate)
            continue
        if not densities_near or max(new.change, result.changed, moved) >= STILL:
            continue
        jittered = _with_jitter(setup, iterate) if jitter_estimates < SHAKES else setup
        jitter_estimates += 1
        if jittered is not setup:
            setup, noise_settled = jittered, False
            sd = prior.prior_sds(setup, iterate.jerk_densities)
            iterate = replace(
                iterate,
                at=linearization.evaluate(
                    setup, iterate.at.values, sd, iterate.weights, iterate.noise
                ),
            )
        elif result.decrement < 1.0 or result.stuck:
            break
    iterate, dense = _converge(setup, iterate)
    report_progress("motion", FIRST + SECOND + LAST, FIRST + SECOND + LAST)
    return setup, iterate, dense


def _iterate_once(setup: Setup, iterate: Iterate, resize: bool) -> IterationResult:
    """One step, and what its residuals show; of marks' noise if `resize`. Variances are worked out
    beside the step's trial, which needs none of them.
    """
    sd = prior.prior_sds(setup, iterate.jerk_densities)
    before, normal, step = _solve(setup, iterate, sd)
    with ThreadPoolExecutor(1) as beside:
        variance_ratio = beside.submit(gauss_newton.variance_ratio, setup, step, sd)
        block_covariance = (
            beside.submit(gauss_newton.deferred_covariance(setup, normal, step, sd))
            if resize
            else None
        )
        normal = linearization.drop_rows(normal)
        after = _try_step(setup, before, sd, step)
    updated, changed = setup, 0.0
    if isinstance(step, DenseStep):
        updated, changed = accelerometer_model.update_channel_noise(
            setup, after.at.sensor_residuals, step.covariance_root, sd
        )
    noise, moved = None, 0.0
    if block_covariance is not None:
        noise, moved = outliers.update_mark_noise(setup, after, normal, block_covariance.result())
    return IterationResult(
        iterate=after,
        decrement=step.decrement,
        stuck=after.at is before.at,
        unit=linearization.unit(setup, after.at.values, sd),
        variance_ratio=variance_ratio.result(),
        updated=updated,
        changed=changed,
        noise=noise,
        moved=moved,
    )


def _converge(setup: Setup, iterate: Iterate) -> tuple[Iterate, DenseStep]:
    """The last steps, nothing else changing, and the system at their end."""
    sd = prior.prior_sds(setup, iterate.jerk_densities)
    for _ in range(LAST):
        iterate, decrement = _last_step(setup, iterate, sd)
        if decrement < ENOUGH[bool(setup.sensors)]:
            break
    evidence = eliminate_error_states(
        setup, linearization.normal_equations(setup, iterate.at, iterate.weights, iterate.noise)
    )
    return iterate, solve_dense(setup, evidence, iterate.at.values, sd, iterate.fixed_mask)


def _last_step(setup: Setup, iterate: Iterate, sd: Array) -> tuple[Iterate, float]:
    """The fit after a step, and the step's squared length in posterior sds; 0 if none is better."""
    before, _, step = _solve(setup, iterate, sd)
    after = _try_step(setup, before, sd, step)
    return after, 0.0 if after.at is before.at else step.decrement


def _solve(
    setup: Setup, iterate: Iterate, sd: Array
) -> tuple[Iterate, linearization.NormalEquations, SparseStep | DenseStep]:
    """The fit under the weights that its noise asks for, the evidence there, and the step."""
    weights = [
        on / (n.frame_variance * n.variance_inflation)
        for on, n in zip(iterate.inlier_masks, iterate.noise, strict=True)
    ]
    at = linearization.reweight(setup, iterate.at, sd, weights, iterate.noise)
    normal = linearization.normal_equations(setup, at, weights, iterate.noise)
    step = gauss_newton.step(setup, normal, at.values, sd, iterate.fixed_mask)
    return replace(iterate, at=at, weights=weights), normal, step


def _try_step(setup: Setup, iterate: Iterate, sd: Array, step: SparseStep | DenseStep) -> Iterate:
    """The fit after a step; at the same point if none is better."""
    at = gauss_newton.line_search(
        setup, iterate.at, sd, iterate.weights, iterate.noise, step.change, iterate.fixed_mask
    )
    return replace(iterate, at=at)


def _inlier_masks(setup: Setup, iterate: Iterate) -> list[NDArray[np.bool_]]:
    """Marks (frames, marks) an eye that the solution as it stands doesn't contradict."""
    out = []
    for lin, weight, own in zip(
        iterate.at.linearizations, iterate.weights, iterate.noise, strict=True
    ):
        square = outliers.squared_distances(lin, weight) / outliers.capped_variance(own.total)
        out.append(outliers.inlier_mask(square, max(1.0, outliers.variance_factor(square))))
    return out


def _with_jitter(setup: Setup, iterate: Iterate) -> Setup:
    """The setup with the common shift of each camera's frames as its residuals show it; the same
    one if that changes little.
    """
    found = [
        outliers.common_jitter(cam, s, on)
        for cam, s, on in zip(
            setup.cameras, iterate.at.linearizations, iterate.inlier_masks, strict=True
        )
    ]
    if all(
        abs(f - cam.jitter_sd) <= 0.1 * cam.jitter_sd
        for f, cam in zip(found, setup.cameras, strict=True)
    ):
        return setup
    cameras = tuple(replace(cam, jitter_sd=f) for cam, f in zip(setup.cameras, found, strict=True))
    return replace(setup, cameras=cameras)
