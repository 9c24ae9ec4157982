"""What is believed of a motion before any film is seen, and how smooth it turns out to be.

All of it is weak: it only holds what the films don't determine. The jerk is white, of a strength
(spectral density of the jerk, unit^2/s^5) that each component has before and after contact; the
strengths are those under which the evidence is most probable.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.evidence import VehicleGeometry
from tracker.motion.initial.poses import Poses
from tracker.motion.model.spline import Basis
from tracker.motion.model.unknowns import POSES, Body, Setup

LEVEL_U = 0.05
"""Roll and pitch of a vehicle before contact, rad."""
QUIET = np.array([10.0, 10.0, 10.0, 1.0, 1.0, 1.0])
"""Strengths expected before contact: an acceleration that wanders 1 m/s^2 in 0.1 s."""
BUSY = np.array([1e5, 1e4, 1e4, 1e3, 1e3, 1e3])
"""Strengths expected after it: 100 m/s^2 in 0.1 s along the path."""
STILL_STRENGTH = np.array([0.1, 0.1, 0.1, 1.0, 1.0, 1.0])
STILL_ACCELERATION = np.array([[0.3, 0.3, 0.3, 1.0, 1.0, 1.0], [2.0, 2.0, 2.0, 5.0, 5.0, 5.0]])
"""Of components that no film shows: strength; acceleration before contact, its jump there (sd)."""
PLANAR = 0.02
"""Speed out of the plane of motion over that in it, where no film shows it (sd; rad/s likewise)."""
HELD = 0.2
"""Degrees of freedom that the expected strengths count for."""
MATTERS = 0.1
"""Degrees of freedom from which on a strength must stand still before the iteration may end."""
LIMITS = 1e-4, 1e12
ROLLING = np.array([1e4, 1e4, 1e4, 1e3, 1e3, 1e3])
"""Greatest strengths before contact: nothing but tyres and springs acts there (30 m/s^2 in 0.1 s).
Errors of marks that last for some frames would else be taken for accelerations of many g.
"""
STANDS, TAIL, FEW = 3.2, 4.0, 3
"""A jerk along x, y or z stands out that is more than so many sds; the tails' degrees of freedom;
the most that may stand out of a component.
"""
ONSET, ONSET_MORE = 0.01, 30.0
"""For so long after contact (s) the strength is so many times that of the crush that follows: a
pulse sets in far more abruptly than it goes on.
"""
CALM, HASTE, LEAP = 0.8, 4.0, 3.0
"""Share (of the logarithm) of a step to the fixed point that is taken where steps swing to and fro;
greatest lengthening of one where they go on one way (Aitken); greatest change.
"""


def handles_before(basis: Basis, start: Poses, vehicle: VehicleGeometry) -> tuple[Array, Array]:
    """Prior mean and sd (handles, 6) of a spline; the jerks' sd is left 1, `spread` sets it."""
    anchor = np.array([np.interp(basis.anchor_time, start.time, p) for p in start.pose.T])
    length = max(float(start.time[-1] - start.time[0]), 1e-6)
    rate = _slopes(start)
    pace = float(np.linalg.norm(rate[:3])) / length
    level = np.zeros((basis.count, POSES))
    spread = np.ones((basis.count, POSES))
    told = np.isfinite(vehicle.near_u)
    level[0] = anchor
    level[0, :3] = np.where(told, vehicle.near, anchor[:3])
    level[0, 3:5] = 0.0
    place_u = np.where(told, vehicle.near_u, [5.0, 2.0, 2.0])
    tilt_u = np.maximum(LEVEL_U, np.abs(anchor[3:5]))
    spread[0] = np.concatenate([place_u, tilt_u, [0.3]])
    spread[1] = np.maximum([20.0, 2.0, 2.0, 0.5, 0.5, 0.5], 2 * np.abs(rate))
    spread[2] = np.maximum([50.0] * 3 + [20.0] * 3, np.r_[[2 * pace] * 3, [0.0] * 3])
    if basis.breaks:
        jump = np.r_[np.maximum([500.0, 300.0, 300.0], 10 * pace), [300.0] * 3]
        spread[3 : 3 + len(basis.breaks)] = jump
    return level, spread


def _slopes(start: Poses) -> Array:
    """Rates (6,) of a straight line through start poses up to half of their time."""
    if len(start.time) < 2:
        return np.zeros(POSES)
    t = start.time - start.time.mean()
    return np.asarray(t @ (start.pose - start.pose.mean(axis=0)) / (t @ t))


def spread(setup: Setup, strengths: tuple[Array, ...]) -> Array:
    """Prior sds (count,) of all unknowns under strengths, one (sides, 6) a body."""
    sd = setup.spread()
    for body, part, strength in zip(setup.bodies, setup.spline, strengths, strict=True):
        grid = sd[part].reshape(-1, POSES)
        grid[body.basis.jerk] = jerk_sd(body, strength)
        sd[part] = grid.ravel()
    return sd


def jerk_sd(body: Body, strength: Array) -> Array:
    """Prior sds (intervals, 6) of a body's jerks under strengths (stretches, 6)."""
    basis = body.basis
    density = strength[sides(basis)] * body.easing
    if basis.breaks:
        since = basis.sites[:-1] - basis.breaks[0]
        density = density * np.where((since > -1e-9) & (since < ONSET), ONSET_MORE, 1.0)[:, None]
    return np.sqrt(density / basis.intervals[:, None])


def sides(basis: Basis) -> NDArray[np.int64]:
    """Which stretch (before contact, after it, ...) each interval (k,) belongs to."""
    return np.searchsorted(np.array(basis.breaks), basis.sites[:-1], side="right")


def expected(basis: Basis, contact: float) -> Array:
    """Strengths (stretches, 6) to start from."""
    ends = np.array([*basis.breaks, basis.sites[-1]])
    return np.where((ends <= contact)[:, None], QUIET, BUSY)


def loose(basis: Basis) -> Array:
    """Strengths (stretches, 6) that let a motion follow anything: where to start from, since noise
    must not be taken for what a stiff motion can't follow.
    """
    return np.tile(30 * BUSY, (len(basis.breaks) + 1, 1))


def quieted(body: Body, blind: NDArray[np.bool_]) -> Body:
    """The body with its `blind` components (6,) believed to be as quiet as those of a vehicle that
    moves in its plane: what no film shows must not make what they show less certain than it is.
    """
    level, spread = body.level.copy(), body.spread.copy()
    pace = float(np.abs(level[1, :3]).max())
    level[1:, blind] = 0.0
    spread[1, blind] = np.minimum(spread[1], PLANAR * max(pace, 5.0))[blind]
    spread[2, blind], spread[3 : body.basis.jerk.start, blind] = STILL_ACCELERATION[:, blind]
    return replace(body, level=level, spread=spread)


def awakened(body: Body, told: NDArray[np.bool_]) -> Body:
    """A body whose components (6,) that no film shows, but a sensor tells, may accelerate."""
    spread = body.spread.copy()
    first = np.array([50.0] * 3 + [20.0] * 3)
    spread[2, told] = first[told]
    spread[3 : body.basis.jerk.start, told] = 300.0
    return replace(body, spread=spread)


@dataclass(frozen=True)
class Strengths:
    """New strengths, and by how much (natural logarithm) the most moved one changed of those that
    the evidence decides.
    """

    values: tuple[Array, ...]
    change: float
    pace: tuple[Array, ...]  # steps to the fixed point (stretches, 6) a body, natural logarithm


def strengthened(
    setup: Setup,
    strengths: tuple[Array, ...],
    unit: Array,
    unit_variance: Array,
    contact: float,
    held: NDArray[np.bool_],
    pace: tuple[Array, ...] | None = None,
) -> Strengths:
    """Strengths nearer to those of the greatest marginal likelihood.

    Parameters
    ----------
    unit, unit_variance : (count,) estimate less prior mean in prior sds, and posterior variance
        over prior variance.
    held : (count,) unknowns of components that the evidence says nothing about.
    pace : the steps before these, if any.

    Source: MacKay 1992, "Bayesian interpolation", eq. 4.9 (the same fixed point as Wood & Fasiolo
    2017, generalised Fellner-Schall); a weak gamma prior keeps unseen components at `expected`.
    """
    out, steps, most = [], [], 0.0
    for b, (body, part, strength) in enumerate(
        zip(setup.bodies, setup.spline, strengths, strict=True)
    ):
        jerk = body.basis.jerk
        square = unit[part].reshape(-1, POSES)[jerk] ** 2
        spent = 1 - unit_variance[part].reshape(-1, POSES)[jerk]
        side = sides(body.basis)
        new, step = strength.copy(), np.zeros_like(strength)
        usual = expected(body.basis, contact)
        blind = held[part][2 * POSES : 3 * POSES]
        for s in range(len(strength)):
            on = side == s
            if on.any():
                gain = square[on].sum(axis=0) + HELD * usual[s] / strength[s]
                known = np.maximum(spent[on].sum(axis=0), 0.0)
                step[s] = np.log(gain / (known + HELD))
                new[s] *= np.exp(_hastened(step[s], None if pace is None else pace[b][s]))
                rolling = body.basis.breaks and s == 0
                new[s] = np.clip(new[s], LIMITS[0], ROLLING if rolling else LIMITS[1])
                new[s, blind] = STILL_STRENGTH[blind]
                moved = np.abs(np.log(new[s] / strength[s]))[known > MATTERS]
                most = max(most, float(moved.max(initial=0.0)))
        out.append(new)
        steps.append(step)
    return Strengths(tuple(out), most, tuple(steps))


def eased(setup: Setup, unit: Array, unit_variance: Array, contact: float) -> Setup:
    """The setup with jerks that stand out after contact given way (a second blow, a part that
    breaks).

    The jerk's distribution has the tails of a Student t of `TAIL` degrees of freedom from `STANDS`
    sds on; its scale mixture is solved by expectation-maximisation. `unit`, `unit_variance` as in
    `strengthened`. Source: Lange, Little & Taylor 1989.
    """
    out = setup
    for b, (body, part) in enumerate(zip(setup.bodies, setup.spline, strict=True)):
        jerk = body.basis.jerk
        square = (unit**2 + unit_variance)[part].reshape(-1, POSES)[jerk] * body.easing
        square[body.basis.sites[:-1] < contact - 1e-9] = 0.0
        square[:, 3:] = 0.0
        least = np.sort(square, axis=0)[-min(FEW, len(square))]
        out_there = (square > STANDS**2) & (square >= least)
        easing = np.where(out_there, (TAIL + square) / (TAIL + 1), 1.0)
        out = out.with_body(b, replace(body, easing=easing))
    return out


def _hastened(step: Array, before: Array | None) -> Array:
    """Steps (6,) to a fixed point lengthened by the ratio to those before them (6,)."""
    if before is None:
        return np.clip(CALM * step, -LEAP, LEAP)
    ratio = np.divide(step, before, out=np.zeros_like(step), where=before != 0)
    longer = np.where(ratio > 0, 1 / (1 - np.minimum(ratio, 1 - 1 / HASTE)), CALM)
    return np.clip(step * longer, -LEAP, LEAP)


def handles_from(body: Body, start: Poses, strength: Array) -> Array:
    """Handles (handles, 6) of the smooth motion through start poses."""
    rows = body.basis.design(start.time)
    sd = body.spread.copy()
    sd[body.basis.jerk] = jerk_sd(body, strength)
    out = np.empty((body.basis.count, POSES))
    loose = 2e-2
    for k in range(POSES):
        j = rows * sd[:, k] / loose
        left = (start.pose[:, k] - rows @ body.level[:, k]) / loose
        unit = np.linalg.solve(np.eye(len(sd)) + j.T @ j, j.T @ left)
        out[:, k] = body.level[:, k] + sd[:, k] * unit
    return out
