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
from tracker.motion.model.knot_placement import resited
from tracker.motion.model.unknowns import POSES, Setup
from tracker.motion.robust import outliers
from tracker.motion.solver import gauss_newton, linearization
from tracker.motion.solver.dense_step import System, system, without_slow
from tracker.motion.solver.iterate import Fit
from tracker.motion.solver.sparse_step import Joint

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
NEAR = 1.0
STILL = 0.15
"""Strengths that change by less (natural logarithm) are near; strengths and noise have converged.
"""


def first_round(
    setup: Setup, values: Array, strengths: tuple[Array, ...], tell: Progress
) -> tuple[Setup, Fit]:
    """Student t weights; components that the marks say nothing about are found and set to rest."""
    plain = tuple(mark_noise.plain(len(e.marks)) for e in setup.eyes)
    setup, values, strengths, held = _set_to_rest(setup, values, strengths, plain)
    sd = prior.spread(setup, strengths)
    weights = [e.measured.astype(float) for e in setup.eyes]
    at = linearization.point(setup, values, sd, weights, plain)
    for step in range(FIRST):
        tell("motion", step, FIRST + SECOND + LAST)
        squares = [outliers.squares(s, w) for s, w in zip(at.looks, weights, strict=True)]
        factors = [max(1.0, outliers.spread_of(q)) for q in squares]
        weights = [outliers.student(q, f) / f for q, f in zip(squares, factors, strict=True)]
        at = linearization.reweighted(setup, at, sd, weights, plain)
        at, decrement = _moved(setup, at, sd, weights, plain, held)
        if decrement < 100.0:
            break
    keep = [s.usable for s in at.looks]
    sized = []
    for e, factor in zip(setup.eyes, factors, strict=True):
        least = mark_noise.least_drift(e.whiten, e.measured)
        sized.append(mark_noise.Noise(np.full(len(least), factor), least, 0.0, least))
    return setup, Fit(at, strengths, weights, tuple(sized), keep, held)


def _set_to_rest(
    setup: Setup,
    values: Array,
    strengths: tuple[Array, ...],
    plain: tuple[mark_noise.Noise, ...],
) -> tuple[Setup, Array, tuple[Array, ...], NDArray[np.bool_]]:
    sd = prior.spread(setup, strengths)
    weights = [e.measured.astype(float) for e in setup.eyes]
    at = linearization.point(setup, values, sd, weights, plain)
    told = linearization.told(setup, at, weights, plain)
    free = np.zeros(setup.count, dtype=bool)
    first = gauss_newton.step(setup, told, at.values, sd, free)
    held = gauss_newton.unseen(setup, gauss_newton.left(setup, first, sd))
    out = list(strengths)
    for b, part in enumerate(setup.spline):
        blind = held[part][POSES : 2 * POSES]
        setup = setup.with_body(b, prior.quieted(setup.bodies[b], blind))
        out[b] = np.where(blind, prior.STILL_STRENGTH, strengths[b])
    return setup, np.where(held, setup.mean(), values), tuple(out), held


def _moved(
    setup: Setup,
    at: linearization.Point,
    sd: Array,
    weights: list[Array],
    sized: tuple[mark_noise.Noise, ...],
    held: NDArray[np.bool_],
) -> tuple[linearization.Point, float]:
    """The point after a step, and the step's squared length in posterior sds."""
    told = linearization.told(setup, at, weights, sized)
    step = gauss_newton.step(setup, told, at.values, sd, held)
    return gauss_newton.stepped(setup, at, sd, weights, sized, step.change, held), step.decrement


@dataclass(frozen=True)
class Turn:
    """What a step of the second round gave. The evidence is not kept: the next step's matrices need
    the room.
    """

    fit: Fit
    decrement: float
    stuck: bool  # no step was better
    unit: Array  # (count,) estimate less prior mean in prior sds
    left: Array  # (count,) posterior over prior variance
    calmer: Setup  # with each channel's noise as its readings show it
    changed: float  # by how much that changed, natural logarithm
    sized: tuple[mark_noise.Noise, ...] | None  # of marks, if asked for
    moved: float  # by how much that changed


def second_round(
    setup: Setup, fit: Fit, contact: float, tell: Progress, *, free: bool = True
) -> tuple[Setup, Fit, System]:
    """Weights 1 or 0, and all that is learned from the residuals, until it stands still. If `free`,
    the noise of marks is sized, and the knots move once the strengths are near.
    """
    near, calm, shakes = not free, False, 0
    pace: tuple[Array, ...] | None = None
    for step in range(SECOND):
        tell("motion", FIRST + step, FIRST + SECOND + LAST)
        if step < 6:
            fit = replace(fit, keep=_kept(setup, fit))
        resize = free and step > 1 and not calm
        turn = _turn(setup, fit, resize)
        fit = turn.fit
        new = prior.strengthened(
            setup, fit.strengths, turn.unit, turn.left, contact, fit.held, pace
        )
        pace = new.pace
        moved = turn.moved if resize else 0.0 if calm or not free else np.inf
        calm = calm or (resize and near and moved < STILL / 5)
        sized = turn.sized or fit.noise
        if step >= SWINGS:
            sized = tuple(map(mark_noise.between, fit.noise, sized))
        fit = replace(fit, strengths=new.values, noise=sized)
        setup = turn.calmer
        if not near and step >= 2:
            setup = prior.eased(setup, turn.unit, turn.left, contact)
        if not near and step >= 2 and new.change < NEAR:
            near, pace = True, None
            setup, fit = resited(setup, fit)
            continue
        if not near or max(new.change, turn.changed, moved) >= STILL:
            continue
        steadier = _with_shake(setup, fit) if shakes < SHAKES else setup
        shakes += 1
        if steadier is not setup:
            setup, calm = steadier, False
            sd = prior.spread(setup, fit.strengths)
            fit = replace(
                fit, at=linearization.point(setup, fit.at.values, sd, fit.weights, fit.noise)
            )
        elif turn.decrement < 1.0 or turn.stuck:
            break
    fit, system = _brought_to_rest(setup, fit)
    tell("motion", FIRST + SECOND + LAST, FIRST + SECOND + LAST)
    return setup, fit, system


def _turn(setup: Setup, fit: Fit, resize: bool) -> Turn:
    """One step, and what its residuals show; of marks' noise if `resize`. Variances are worked out
    beside the step's trial, which needs none of them.
    """
    sd = prior.spread(setup, fit.strengths)
    before, told, step = _solved(setup, fit, sd)
    with ThreadPoolExecutor(1) as beside:
        left = beside.submit(gauss_newton.left, setup, step, sd)
        spread = beside.submit(gauss_newton.spreading(setup, told, step, sd)) if resize else None
        told = linearization.summed(told)
        after = _tried(setup, before, sd, step)
    calmer, changed = setup, 0.0
    if isinstance(step, System):
        calmer, changed = accelerometer_model.resized(setup, after.at.feels, step.root, sd)
    sized, moved = None, 0.0
    if spread is not None:
        sized, moved = outliers.resized(setup, after, told, spread.result())
    return Turn(
        fit=after,
        decrement=step.decrement,
        stuck=after.at is before.at,
        unit=linearization.unit(setup, after.at.values, sd),
        left=left.result(),
        calmer=calmer,
        changed=changed,
        sized=sized,
        moved=moved,
    )


def _brought_to_rest(setup: Setup, fit: Fit) -> tuple[Fit, System]:
    """The last steps, nothing else changing, and the system at their end."""
    sd = prior.spread(setup, fit.strengths)
    for _ in range(LAST):
        fit, decrement = _last(setup, fit, sd)
        if decrement < ENOUGH[bool(setup.sensors)]:
            break
    evidence = without_slow(setup, linearization.told(setup, fit.at, fit.weights, fit.noise))
    return fit, system(setup, evidence, fit.at.values, sd, fit.held)


def _last(setup: Setup, fit: Fit, sd: Array) -> tuple[Fit, float]:
    """The fit after a step, and the step's squared length in posterior sds; 0 if none is better."""
    before, _, step = _solved(setup, fit, sd)
    after = _tried(setup, before, sd, step)
    return after, 0.0 if after.at is before.at else step.decrement


def _solved(setup: Setup, fit: Fit, sd: Array) -> tuple[Fit, linearization.Told, Joint | System]:
    """The fit under the weights that its noise asks for, the evidence there, and the step."""
    weights = [on / (n.factor * n.drag) for on, n in zip(fit.keep, fit.noise, strict=True)]
    at = linearization.reweighted(setup, fit.at, sd, weights, fit.noise)
    told = linearization.told(setup, at, weights, fit.noise)
    step = gauss_newton.step(setup, told, at.values, sd, fit.held)
    return replace(fit, at=at, weights=weights), told, step


def _tried(setup: Setup, fit: Fit, sd: Array, step: Joint | System) -> Fit:
    """The fit after a step; at the same point if none is better."""
    at = gauss_newton.stepped(setup, fit.at, sd, fit.weights, fit.noise, step.change, fit.held)
    return replace(fit, at=at)


def _kept(setup: Setup, fit: Fit) -> list[NDArray[np.bool_]]:
    """Marks (frames, marks) an eye that the solution as it stands doesn't contradict."""
    out = []
    for seen, weight, own in zip(fit.at.looks, fit.weights, fit.noise, strict=True):
        square = outliers.squares(seen, weight) / outliers.trusted(own.total)
        out.append(outliers.kept(square, max(1.0, outliers.spread_of(square))))
    return out


def _with_shake(setup: Setup, fit: Fit) -> Setup:
    """The setup with the common shift of each camera's frames as its residuals show it; the same
    one if that changes little.
    """
    found = [
        outliers.shake(e, s, on)
        for e, s, on in zip(setup.eyes, fit.at.looks, fit.keep, strict=True)
    ]
    if all(abs(f - e.shake) <= 0.1 * e.shake for f, e in zip(found, setup.eyes, strict=True)):
        return setup
    eyes = tuple(replace(e, shake=f) for e, f in zip(setup.eyes, found, strict=True))
    return replace(setup, eyes=eyes)
