"""The two rounds of a solution.

The first weights marks by a Student t, so that wrong ones lose their pull; the second leaves them
out and sizes the noise of each camera and channel by what is left. In the second the smoothness
strengths move to those of the greatest marginal likelihood between steps.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.body import newton, prior, sensors, trust
from tracker.body.fit import Fit
from tracker.body.setup import POSES, Setup
from tracker.values import Progress

FIRST, SECOND = 12, 30
"""Most steps of the two rounds."""
SHAKES = 4
"""Most estimates of a common shift of a frame's marks."""
ENOUGH = {False: 1e-8, True: 1e-5}
"""Squared step, in posterior sds, that ends the iteration, without and with accelerometers (whose
step at contact bends the way of the last steps).
"""
STILL = 0.1
"""Strengths and noise that change by less (natural logarithm) have converged."""


def first_round(
    setup: Setup, values: Array, strengths: tuple[Array, ...], tell: Progress
) -> tuple[Setup, Fit]:
    """Student t weights; components that the marks say nothing about are found and set to rest."""
    setup, values, strengths, held = _set_to_rest(setup, values, strengths)
    sd = prior.spread(setup, strengths)
    weights = [e.measured.astype(float) for e in setup.eyes]
    at = newton.point(setup, values, sd, weights)
    factors = np.ones(len(setup.eyes))
    for step in range(FIRST):
        tell("motion", step, FIRST + SECOND)
        squares = [trust.squares(s, w) for s, w in zip(at.looks, weights, strict=True)]
        factors = np.array([max(1.0, trust.spread_of(q)) for q in squares])
        weights = [trust.student(q, f) / f for q, f in zip(squares, factors, strict=True)]
        at = newton.reweighted(setup, at, sd, weights)
        system = newton.system(setup, at, sd, weights, held)
        at = newton.stepped(setup, at, sd, weights, system, held)
        if system.decrement < 10.0:
            break
    keep = [s.usable for s in at.looks]
    one = np.ones(len(setup.eyes))
    return setup, Fit(at, system, strengths, weights, factors, one, 0 * one, one, keep, held)


def _set_to_rest(
    setup: Setup, values: Array, strengths: tuple[Array, ...]
) -> tuple[Setup, Array, tuple[Array, ...], NDArray[np.bool_]]:
    sd = prior.spread(setup, strengths)
    weights = [e.measured.astype(float) for e in setup.eyes]
    at = newton.point(setup, values, sd, weights)
    held = newton.unseen(setup, newton.system(setup, at, sd, weights))
    out = list(strengths)
    for b, part in enumerate(setup.spline):
        blind = held[part][POSES : 2 * POSES]
        setup = setup.with_body(b, prior.quieted(setup.bodies[b], blind))
        out[b] = np.where(blind, prior.STILL_STRENGTH, strengths[b])
    return setup, np.where(held, setup.mean(), values), tuple(out), held


def second_round(setup: Setup, fit: Fit, contact: float, tell: Progress) -> tuple[Setup, Fit]:
    """Weights 1 or 0, and all that is learned from the residuals, until it stands still; last the
    correlation of errors from frame to frame, once (a stiffer motion would feign more of it).
    """
    settled, frozen, shakes = False, False, 0
    for step in range(SECOND):
        tell("motion", FIRST + step, FIRST + SECOND)
        at, keep = fit.at, fit.keep
        sd = prior.spread(setup, fit.strengths)
        if step < 6:
            squares = [trust.squares(s, w) for s, w in zip(at.looks, fit.weights, strict=True)]
            scale = [max(1.0, trust.spread_of(q)) for q in squares]
            keep = [trust.kept(q, f) for q, f in zip(squares, scale, strict=True)]
        weights = [k / f for k, f in zip(keep, fit.factors, strict=True)]
        at = newton.reweighted(setup, at, sd, weights)
        system = newton.system(setup, at, sd, weights, fit.held)
        before = at
        at = newton.stepped(setup, at, sd, weights, system, fit.held)
        stuck = at is before
        fit = replace(fit, at=at, system=system, weights=weights, keep=keep)
        covariance = newton.covariance(system)
        unit = newton.unit(setup, at.values, sd)
        new = prior.strengthened(setup, fit.strengths, unit, np.diag(covariance), contact, fit.held)
        chi, lag = trust.scatter(setup, fit, covariance)
        factors = trust.factor(chi, fit.drag, keep)
        calmer, change = sensors.resized(setup, at.feels, system.root, sd)
        moved = max(new.change, change, float(np.abs(np.log(factors / fit.factors)).max()))
        fit = replace(fit, chi_square=chi)
        frozen = frozen or (settled and moved < STILL and (system.decrement < 0.01 or stuck))
        if frozen and (system.decrement < ENOUGH[bool(setup.sensors)] or stuck):
            break
        if step >= 3 and moved < STILL and shakes < SHAKES and not frozen:
            shakes += 1
            steadier = _with_shake(setup, fit)
            if steadier is not setup:
                setup = steadier
                fit = replace(fit, at=newton.point(setup, at.values, sd, weights))
                continue
            shakes = SHAKES
        if step >= 3 and moved < STILL and not settled:
            settled = True
            fit = replace(fit, lag=lag, drag=trust.drag(lag, keep))
            factors = trust.factor(chi, fit.drag, keep)
        if not frozen and step < SECOND - 3:
            fit = replace(fit, strengths=new.values, factors=factors)
            setup = calmer
    tell("motion", FIRST + SECOND, FIRST + SECOND)
    return setup, fit


def _with_shake(setup: Setup, fit: Fit) -> Setup:
    """The setup with the common shift of each camera's frames as its residuals show it; the same
    one if that changes little.
    """
    found = [
        trust.shake(e, s, on) for e, s, on in zip(setup.eyes, fit.at.looks, fit.keep, strict=True)
    ]
    if all(abs(f - e.shake) <= 0.1 * e.shake for f, e in zip(found, setup.eyes, strict=True)):
        return setup
    eyes = tuple(replace(e, shake=f) for e, f in zip(setup.eyes, found, strict=True))
    return replace(setup, eyes=eyes)
