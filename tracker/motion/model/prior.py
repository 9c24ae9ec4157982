"""Prior of a motion: white jerk, whose spectral density is estimated with it.

All of it is weak: it only decides what the films don't determine. Each component has a spectral
density of its jerk (unit^2/s^5) before contact and one after it; they are the ones under which the
evidence is most probable.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.evidence import VehicleGeometry
from tracker.motion.initial.poses import Poses
from tracker.motion.model.spline import Basis
from tracker.motion.model.unknowns import COMPONENTS, Body, Setup
from tracker.motion.options import PRIOR


def _by_component(place: float, angle: float) -> Array:
    """(6,) of three places and three angles."""
    return np.array([place] * 3 + [angle] * 3)


DENSITY_BEFORE = _by_component(PRIOR.density_before_place, PRIOR.density_before_angle)
"""Spectral densities (6,) expected before contact."""
DENSITY_AFTER = np.array(
    [PRIOR.density_after_path] + [PRIOR.density_after_across] * 2 + [PRIOR.density_after_angle] * 3
)
"""The same after it."""
UNSEEN_DENSITY = _by_component(PRIOR.unseen_density_place, PRIOR.unseen_density_angle)
"""Of components that no film shows."""
_ROLLING_DENSITY = _by_component(PRIOR.density_rolling_place, PRIOR.density_rolling_angle)
_ROLLING_ACCELERATION = _by_component(PRIOR.rolling_acceleration_u, PRIOR.angular_acceleration_u)
_UNSEEN_ACCELERATION = _by_component(PRIOR.unseen_acceleration, PRIOR.unseen_angular_acceleration)
_UNSEEN_JUMP = _by_component(PRIOR.unseen_jump, PRIOR.unseen_angular_jump)
_PLACE_U = np.array([PRIOR.place_u_x, PRIOR.place_u_yz, PRIOR.place_u_yz])
_SPEED_U = np.array([PRIOR.speed_u_x] + [PRIOR.speed_u_yz] * 2 + [PRIOR.angular_rate_u] * 3)
_ACCELERATION_U = _by_component(PRIOR.acceleration_u, PRIOR.angular_acceleration_u)
_JUMP_U = np.array([PRIOR.jump_u_x, PRIOR.jump_u_yz, PRIOR.jump_u_yz])
_SAME_TIME = 1e-9
"""s; times closer than this are the same."""


def prior_moments(basis: Basis, start: Poses, vehicle: VehicleGeometry) -> tuple[Array, Array]:
    """Prior mean and sd (coefficients, 6) in the jerk basis; the jerks' sd stays 1: `prior_sds`
    gives it.
    """
    anchor = np.array([np.interp(basis.anchor_time, start.time, p) for p in start.pose.T])
    length = max(float(start.time[-1] - start.time[0]), 1e-6)
    rate = _slopes(start)
    deceleration = float(np.linalg.norm(rate[:3])) / length
    prior_mean = np.zeros((basis.count, COMPONENTS))
    prior_sd = np.ones((basis.count, COMPONENTS))
    known_mask = np.isfinite(vehicle.near_u)
    prior_mean[0] = anchor
    prior_mean[0, :3] = np.where(known_mask, vehicle.near, anchor[:3])
    prior_mean[0, 3:5] = 0.0
    place_u = np.where(known_mask, vehicle.near_u, _PLACE_U)
    tilt_u = np.maximum(PRIOR.level_u, np.abs(anchor[3:5]))
    prior_sd[0] = np.concatenate([place_u, tilt_u, [PRIOR.heading_u]])
    prior_sd[1] = np.maximum(_SPEED_U, PRIOR.speed_u_share * np.abs(rate))
    prior_sd[2] = np.maximum(
        _ACCELERATION_U, _by_component(PRIOR.acceleration_u_share * deceleration, 0.0)
    )
    if basis.breaks:  # the anchor is just before contact, where only tyres and springs act
        prior_sd[2] = _ROLLING_ACCELERATION
        jump = np.r_[
            np.maximum(_JUMP_U, PRIOR.jump_u_share * deceleration), [PRIOR.jump_u_angle] * 3
        ]
        prior_sd[3 : 3 + len(basis.breaks)] = jump
    return prior_mean, prior_sd


def _slopes(start: Poses) -> Array:
    """Rates (6,) of a straight line through start poses up to half of their time."""
    if len(start.time) < 2:
        return np.zeros(COMPONENTS)
    t = start.time - start.time.mean()
    return np.asarray(t @ (start.pose - start.pose.mean(axis=0)) / (t @ t))


def prior_sds(setup: Setup, jerk_densities: tuple[Array, ...]) -> Array:
    """Prior sds (count,) of all unknowns under jerk densities, (stretches, 6) a body."""
    sd = setup.prior_sd()
    for body, part, jerk_density in zip(
        setup.bodies, setup.spline_slices, jerk_densities, strict=True
    ):
        grid = sd[part].reshape(-1, COMPONENTS)
        grid[body.basis.jerk] = jerk_sd(body, jerk_density)
        sd[part] = grid.ravel()
    return sd


def jerk_sd(body: Body, jerk_density: Array) -> Array:
    """Prior sds (intervals, 6) of a body's jerks under jerk densities (stretches, 6).

    The mean over an interval of white jerk of density q has the variance q / length.
    """
    basis = body.basis
    density = jerk_density[stretches(basis)] * body.jerk_inflation
    if basis.breaks:
        since = basis.breakpoints[:-1] - basis.breaks[0]
        onset = (since > -_SAME_TIME) & (since < PRIOR.onset_time)
        density = density * np.where(onset, PRIOR.onset_factor, 1.0)[:, None]
    return np.sqrt(density / basis.intervals[:, None])


def phases_after(contact: float, last: float) -> tuple[float, ...]:
    """Times after contact, s, at which a motion up to `last` is thought to quieten down: each
    stretch has a jerk density of its own, so that a long film does not smooth its pulse.
    """
    ends = (contact + PRIOR.pulse_time, contact + PRIOR.settling_time)
    return tuple(end for end in ends if last > end + PRIOR.least_stretch)


def stretches(basis: Basis) -> NDArray[np.int64]:
    """Which stretch (before contact, after it, ...) each interval (k,) belongs to."""
    return np.searchsorted(basis.stretch_ends, basis.breakpoints[:-1], side="right")


def expected_density(basis: Basis, contact: float) -> Array:
    """Densities (stretches, 6) that are expected."""
    ends = np.array([*basis.stretch_ends, basis.breakpoints[-1]])
    return np.where((ends <= contact)[:, None], DENSITY_BEFORE, DENSITY_AFTER)


def initial_density(basis: Basis) -> Array:
    """Densities (stretches, 6) under which a motion follows anything. The iteration starts from
    them: else what a stiff motion can't follow would be taken for noise.
    """
    return np.tile(PRIOR.density_first_factor * DENSITY_AFTER, (len(basis.stretch_ends) + 1, 1))


def freeze_unobserved(body: Body, blind: NDArray[np.bool_]) -> Body:
    """The body with the prior of a vehicle that moves in its plane for its `blind` components
    (6,). What no film shows must not make what films show less certain than it is.
    """
    prior_mean, prior_sd = body.prior_mean.copy(), body.prior_sd.copy()
    speed = max(float(np.abs(prior_mean[1, :3]).max()), PRIOR.unseen_speed_least)
    prior_mean[1:, blind] = 0.0
    prior_sd[1, blind] = np.minimum(prior_sd[1], PRIOR.unseen_speed_share * speed)[blind]
    prior_sd[2, blind] = _UNSEEN_ACCELERATION[blind]
    prior_sd[3 : body.basis.jerk.start, blind] = _UNSEEN_JUMP[blind]
    return replace(body, prior_mean=prior_mean, prior_sd=prior_sd)


def unfreeze(body: Body, measured: NDArray[np.bool_]) -> Body:
    """A body whose components (6,) that no film shows, but a sensor measures, may accelerate."""
    prior_sd = body.prior_sd.copy()
    prior_sd[2, measured] = _ACCELERATION_U[measured]
    prior_sd[3 : body.basis.jerk.start, measured] = PRIOR.jump_u_angle
    return replace(body, prior_sd=prior_sd)


@dataclass(frozen=True)
class DensityUpdate:
    """New spectral densities, and the greatest change (natural logarithm) among those that the
    evidence decides.
    """

    values: tuple[Array, ...]
    change: float
    steps: tuple[Array, ...]  # to the fixed point (stretches, 6) a body, natural logarithm


def update_spectral_density(
    setup: Setup,
    jerk_densities: tuple[Array, ...],
    unit: Array,
    unit_variance: Array,
    contact: float,
    fixed_mask: NDArray[np.bool_],
    steps_before: tuple[Array, ...] | None = None,
) -> DensityUpdate:
    """Spectral densities of the jerk nearer to those of the greatest marginal likelihood.

    Parameters
    ----------
    jerk_densities : (stretches, 6) a body, unit^2/s^5, before the update.
    unit : (count,) estimate less prior mean in prior sds.
    unit_variance : (count,) posterior variance over prior variance.
    contact : time of first contact, s.
    fixed_mask : (count,) unknowns of components that the evidence says nothing about.
    steps_before : the update before's `DensityUpdate.steps`, if any.

    One step to the fixed point q = q sum(unit^2) / sum(1 - unit_variance), both over the jerks of a
    stretch. Source: MacKay 1992, "Bayesian interpolation", eq. 4.9 (the same fixed point as Wood &
    Fasiolo 2017, generalised Fellner-Schall). A weak gamma prior keeps unseen components at
    `expected_density`.
    """
    out, steps, most = [], [], 0.0
    prior_dof = PRIOR.expected_dof
    for b, (body, part, jerk_density) in enumerate(
        zip(setup.bodies, setup.spline_slices, jerk_densities, strict=True)
    ):
        jerk = body.basis.jerk
        square = unit[part].reshape(-1, COMPONENTS)[jerk] ** 2
        used_dof = 1 - unit_variance[part].reshape(-1, COMPONENTS)[jerk]
        side = stretches(body.basis)
        new, step = jerk_density.copy(), np.zeros_like(jerk_density)
        usual = expected_density(body.basis, contact)
        blind = fixed_mask[part][2 * COMPONENTS : 3 * COMPONENTS]
        for s in range(len(jerk_density)):
            on = side == s
            if on.any():
                gain = square[on].sum(axis=0) + prior_dof * usual[s] / jerk_density[s]
                known = np.maximum(used_dof[on].sum(axis=0), 0.0)
                step[s] = np.log(gain / (known + prior_dof))
                before = None if steps_before is None else steps_before[b][s]
                new[s] *= np.exp(_accelerated_step(step[s], before))
                rolling = body.basis.breaks and s == 0
                upper = _ROLLING_DENSITY if rolling else PRIOR.density_most
                new[s] = np.clip(new[s], PRIOR.density_least, upper)
                new[s, blind] = UNSEEN_DENSITY[blind]
                changes = np.abs(np.log(new[s] / jerk_density[s]))[known > PRIOR.decisive_dof]
                most = max(most, float(changes.max(initial=0.0)))
        out.append(new)
        steps.append(step)
    return DensityUpdate(tuple(out), most, tuple(steps))


def inflate_outlier_jerks(setup: Setup, unit: Array, unit_variance: Array, contact: float) -> Setup:
    """The setup with larger densities where a jerk stands out after contact (a second blow, a part
    that breaks).

    Parameters
    ----------
    unit : (count,) estimate less prior mean in prior sds.
    unit_variance : (count,) posterior variance over prior variance.
    contact : time of first contact, s.

    Beyond `PRIOR.outlier_jerk_sds` the jerk has the tails of a Student t of
    `PRIOR.outlier_jerk_dof` degrees of freedom; its scale mixture is solved by
    expectation-maximisation. Source: Lange, Little & Taylor 1989.
    """
    out, dof = setup, PRIOR.outlier_jerk_dof
    for b, (body, part) in enumerate(zip(setup.bodies, setup.spline_slices, strict=True)):
        jerk = body.basis.jerk
        square = (unit**2 + unit_variance)[part].reshape(-1, COMPONENTS)[jerk] * body.jerk_inflation
        square[body.basis.breakpoints[:-1] < contact - _SAME_TIME] = 0.0
        square[:, 3:] = 0.0
        least = np.sort(square, axis=0)[-min(PRIOR.outlier_jerks, len(square))]
        outlier_mask = (square > PRIOR.outlier_jerk_sds**2) & (square >= least)
        jerk_inflation = np.where(outlier_mask, (dof + square) / (dof + 1), 1.0)
        out = out.with_body(b, replace(body, jerk_inflation=jerk_inflation))
    return out


def _accelerated_step(step: Array, before: Array | None) -> Array:
    """Steps (6,) to a fixed point lengthened by the ratio to those before them (6,)."""
    if before is None:
        return np.clip(PRIOR.step_share * step, -PRIOR.step_most, PRIOR.step_most)
    ratio = np.divide(step, before, out=np.zeros_like(step), where=before != 0)
    lengthening = 1 / (1 - np.minimum(ratio, 1 - 1 / PRIOR.step_lengthening))
    length = np.where(ratio > 0, lengthening, PRIOR.step_share)
    return np.clip(step * length, -PRIOR.step_most, PRIOR.step_most)


def smooth_start(body: Body, start: Poses, jerk_density: Array) -> Array:
    """Coefficients (count, 6) in the jerk basis of the smooth motion through start poses."""
    rows = body.basis.design(start.time)
    sd = body.prior_sd.copy()
    sd[body.basis.jerk] = jerk_sd(body, jerk_density)
    out = np.empty((body.basis.count, COMPONENTS))
    for k in range(COMPONENTS):
        j = rows * sd[:, k] / PRIOR.start_u
        residual = (start.pose[:, k] - rows @ body.prior_mean[:, k]) / PRIOR.start_u
        unit = np.linalg.solve(np.eye(len(sd)) + j.T @ j, j.T @ residual)
        out[:, k] = body.prior_mean[:, k] + sd[:, k] * unit
    return out
