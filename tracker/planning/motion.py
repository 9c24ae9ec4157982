"""A plausible motion of the vehicles as planned: what the plan lets the vehicles do.

The striking vehicle runs at constant speed until contact; then a force that depends on the closing,
as crush cushions give it, brings both to one speed: a steep first peak, folds on a plateau that
rises, and an end within a few centimetres of parting. Over the closing its mean slows the vehicles
against each other by `mean_pulse`. (Common practice, no source: cushions that keep the occupant's
ridedown below 20 g and stop 100 km/h in a few metres run at about that.) It pushes below the cg,
so both vehicles pitch and heave on their springs; roll, yaw and sideways motion are small.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.signal import lsim

from calibration.arrays import Array
from calibration.errors import RECORD, RecordError
from tracker.core.rigid_body import rotate_vectors
from tracker.planning.options import PLANNED_MOTION
from tracker.planning.redirection import along_rail, through_pole
from tracker.record.schema import PlannedRecord, Vehicle

SHAPE = ((0.0, 0.0), (0.015, 1.4), (0.05, 0.8), (0.3, 0.9), (0.6, 1.05), (0.9, 1.3), (1.0, 1.3))
"""The force: share of the greatest closing, and level before it is scaled to mean 1."""


@dataclass(frozen=True)
class PlannedMotion:
    """Planned motions: states (n, 15) of each vehicle's cg at fine times (n,)."""

    time: Array
    states: Mapping[str, Array]
    contact_lasts: float  # s

    def state(self, vehicle: str, time: Array) -> Array:
        """Columns `tracker.values.STATE` (m, 15) at times (m,)."""
        whole = self.states[vehicle]
        return np.stack([np.interp(time, self.time, column) for column in whole.T], axis=1)

    def places(self, vehicle: str, time: Array, lever_arms: Array) -> Array:
        """Ground places (m, k, 3) of `lever_arms` (k, 3) from the cg, vehicle axes, m."""
        state = self.state(vehicle, time)
        out = np.empty((len(time), len(lever_arms), 3))
        for k, lever_arm in enumerate(lever_arms):
            rotated, _ = rotate_vectors(state[:, 3:6], np.broadcast_to(lever_arm, (len(time), 3)))
            out[:, k] = state[:, :3] + rotated
        return out


def planned_motion(record: PlannedRecord) -> PlannedMotion:
    """The motions of all vehicles. Raises Problem without an intended speed or a striking vehicle
    that has a speed to lose.
    """
    intended = record.test.intended
    striking = _by_role(record, "striking")
    if not intended.speed or striking is None:
        raise RecordError(
            "the plan needs the speed and who strikes",
            where=f"{record.path}, test.intended",
            remedy='add speed, as speed = "62 mi/h", and role = "striking" to one vehicle',
            status=RECORD,
        )
    share = _mass_share(record)
    angle = intended.angle or 0.0
    time, closing_pulse, duration = _pulse(intended.speed)
    pulse = closing_pulse / (1 + share)
    slowing = np.cumsum(pulse) * PLANNED_MOTION.step
    way = np.cumsum(slowing) * PLANNED_MOTION.step
    along = np.array([np.cos(angle), np.sin(angle)])
    states = {}
    for name, vehicle in record.vehicles.items():
        at = _cg_at_contact(record, name, vehicle)
        role = vehicle.role
        gained = {"striking": -1.0, "struck": share}.get(role, 0.0)
        speed = intended.speed if role == "striking" else 0.0
        push = gained * pulse
        rate = speed + np.cumsum(push) * PLANNED_MOTION.step
        if role == "struck":
            rate = _brake_motion(push)
        state = np.zeros((len(time), 15))
        state[:, :3] = at
        _run(state, rate, along, time)
        _run(state, _aside(push), np.array([-along[1], along[0]]), time)
        state[:, 5] = angle if role == "striking" else 0.0
        for column, change in _swings(vehicle, -float(at[2]), push, way / way[-1], time).items():
            _add(state, column, change)
        states[name] = state
    article = record.article
    if article is not None and (article.kind == "pole" or article.traffic_face is not None):
        name = next(n for n, v in record.vehicles.items() if v.role == "striking")
        if article.kind == "pole":
            start = _cg_at_contact(record, name, striking)
            states[name], duration = (
                through_pole(intended.speed, angle, start, time),
                PLANNED_MOTION.pole_lasts,
            )
        else:
            states[name], duration = along_rail(record, striking, time), PLANNED_MOTION.rail_lasts
    return PlannedMotion(time, states, duration)


def _run(state: Array, rate: Array, along: Array, time: Array) -> None:
    """Add a motion of this speed (n,) along a direction (2,); it is where it starts at time 0."""
    way = np.cumsum(rate) * PLANNED_MOTION.step
    way = way - np.interp(0.0, time, way)
    state[:, :2] += np.outer(way, along)
    state[:, 6:8] += np.outer(rate, along)
    state[:, 12:14] += np.outer(np.gradient(rate, PLANNED_MOTION.step), along)


def _brake_motion(push: Array) -> Array:
    """Speed (n,) of a parked vehicle that is accelerated by `push` (n,) against its tyres' grip."""
    rate = np.zeros(len(push))
    for k in range(1, len(push)):
        rate[k] = max(rate[k - 1] + (push[k] - PLANNED_MOTION.grip) * PLANNED_MOTION.step, 0.0)
    return rate


def _aside(push: Array) -> Array:
    """Speed (n,) to the side of a vehicle that is accelerated by `push` (n,) along its way."""
    rate = np.zeros(len(push))
    for k in range(1, len(push)):
        friction = (
            PLANNED_MOTION.rubbing * np.tanh(rate[k - 1] / PLANNED_MOTION.slips) * np.abs(push[k])
        )
        rate[k] = rate[k - 1] + (PLANNED_MOTION.sideways * push[k] - friction) * PLANNED_MOTION.step
    return rate


def _swings(
    vehicle: Vehicle, height: float, pulse: Array, closed: Array, time: Array
) -> dict[int, Array]:
    """Heave, roll, pitch and yaw (n,) by column of the state, of a vehicle whose cg is so high and
    that is pushed by `pulse` (n,), when `closed` (n,) of all closing is over.
    """
    mass = vehicle.mass or (
        PLANNED_MOTION.gyration_mass
        if vehicle.role == "striking"
        else PLANNED_MOTION.struck_mass * PLANNED_MOTION.gyration_mass
    )
    gyration = PLANNED_MOTION.gyration * (mass / PLANNED_MOTION.gyration_mass) ** (1 / 3)
    lever = height - np.interp(
        closed, (0.0, 1.0), (PLANNED_MOTION.pushed_first, PLANNED_MOTION.pushed_last)
    )
    inert = pulse / gyration**2
    return {
        2: PLANNED_MOTION.lift * _answer(pulse, time, PLANNED_MOTION.swing, PLANNED_MOTION.damping),
        3: PLANNED_MOTION.roll_lever * _answer(inert, time, PLANNED_MOTION.slow_swing, 1.0),
        4: _answer(lever * inert, time, PLANNED_MOTION.swing, PLANNED_MOTION.damping),
        5: PLANNED_MOTION.yaw_lever * _answer(inert, time, PLANNED_MOTION.slow_swing, 1.0),
    }


def _answer(push: Array, time: Array, rate: float, damping: float) -> Array:
    """Where a sprung mass goes that is pushed by accelerations (n,)."""
    system = ([1.0], [1.0, 2 * damping * rate, rate**2])
    return np.asarray(lsim(system, push, time - time[0])[1])


def _pulse(speed: float) -> tuple[Array, Array, float]:
    """Times (n,), how fast the vehicles slow against each other (n,), m/s^2, and until when."""
    depth = speed**2 / 2 / PLANNED_MOTION.mean_pulse
    share = np.linspace(0.0, 1.3, 2601)
    level = np.interp(share, [s for s, _ in SHAPE], [v for _, v in SHAPE])
    level = level * (
        1
        + PLANNED_MOTION.folded
        * np.sin(2 * np.pi * share * depth / PLANNED_MOTION.fold)
        * (share > PLANNED_MOTION.folds_from)
    )
    level = level * PLANNED_MOTION.mean_pulse / float(np.mean(level[share <= 1]))
    closing, rate, greatest = 0.0, speed, 0.0
    found: list[float] = []
    parting = PLANNED_MOTION.parting * depth
    while rate > 0 or closing > greatest - parting:
        greatest = max(greatest, closing)
        slowing = float(np.interp(closing / depth, share, level))
        if rate <= 0:
            slowing *= (1 - (greatest - closing) / parting) ** 2
        if found and slowing < PLANNED_MOTION.gone * PLANNED_MOTION.mean_pulse and rate <= 0:
            break
        found.append(slowing)
        rate -= slowing * PLANNED_MOTION.step
        closing += rate * PLANNED_MOTION.step
    steps = np.arange(
        round(PLANNED_MOTION.first / PLANNED_MOTION.step),
        len(found) + round(PLANNED_MOTION.after / PLANNED_MOTION.step),
        dtype=np.float64,
    )
    pulse = np.zeros(len(steps))
    start = -round(PLANNED_MOTION.first / PLANNED_MOTION.step)
    pulse[start : start + len(found)] = found
    return steps * PLANNED_MOTION.step, pulse, len(found) * PLANNED_MOTION.step


def _add(state: Array, column: int, change: Array) -> None:
    """Add a change of a pose component with its derivatives."""
    rate = np.gradient(change, PLANNED_MOTION.step)
    state[:, column] += change
    state[:, column + 6] += rate
    if column < 3:
        state[:, column + 12] += np.gradient(rate, PLANNED_MOTION.step)


def _by_role(record: PlannedRecord, role: str) -> Vehicle | None:
    return next((v for v in record.vehicles.values() if v.role == role), None)


def _mass_share(record: PlannedRecord) -> float:
    """Mass of the striking over the struck vehicle; 0 without a struck one."""
    a, b = _by_role(record, "striking"), _by_role(record, "struck")
    if a is None or b is None:
        return 0.0
    return a.mass / b.mass if a.mass and b.mass else PLANNED_MOTION.light_share


def _cg_at_contact(record: PlannedRecord, name: str, vehicle: Vehicle) -> Array:
    """Where the cg is at time zero, ground axes, m."""
    intended = record.test.intended
    angle = (intended.angle or 0.0) if vehicle.role == "striking" else 0.0
    cg = np.array(vehicle.cg)
    lever_arm, _ = rotate_vectors(np.array([[0.0, 0.0, angle]]), cg[None])
    if vehicle.at_contact is not None:
        return np.asarray(np.array(vehicle.at_contact) + lever_arm[0])
    places = [m.at for m in vehicle.markers.values() if m.at is not None]
    ends = [at[0] for at in (*places, *vehicle.points.values())] or [0.0]
    end = max(ends) if vehicle.role == "striking" else min(ends)
    at = lever_arm[0] - [end * np.cos(angle), end * np.sin(angle), 0.0]
    if vehicle.role == "striking":
        at[1] = intended.offset or 0.0
    elif vehicle.role == "struck" and record.cushion is not None:
        at[0] += record.cushion.length  # the cushion stands between them
    return np.asarray(at)
