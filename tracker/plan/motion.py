"""A plausible course of the test as planned: what the plan lets the vehicles do.

The striking vehicle runs at constant speed until contact; then a pulse as crush cushions give it
brings both to one speed: a steep rise, a plateau, a stiffer second half, a fall. The mean closing
deceleration is `MEAN_PULSE`. (Common practice, no source: cushions that keep the occupant's
ridedown below 20 g and stop 100 km/h in a few metres run at about that.) Pitch, dive and yaw are
small and smooth, so that the estimator has something to tell.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calibration.camera import Array
from calibration.problem import RECORD, Problem
from tracker.body.attitude import turned
from tracker.record_schema import PlannedRecord, Vehicle

MEAN_PULSE = 11.5 * 9.80665
"""m/s^2."""
SHAPE = ((0.0, 0.0), (0.04, 0.85), (0.45, 1.05), (0.6, 1.3), (0.78, 1.25), (1.0, 0.0))
"""Course of the pulse: share of its duration, and of its mean before it is scaled to mean 1."""
RIPPLES = ((0.09, 45.0), (0.05, 90.0))
"""Folding of the cushion's cells and of the car: share of the pulse, and 1/s."""
SIDEWAYS = 0.012
"""Share of the pulse that pushes the striking vehicle to the side."""
PITCH, ROLL, YAW, RISE = -0.045, 0.004, 0.012, 0.025
"""Largest change of attitude (rad) and rise (m) of the striking vehicle."""
LIGHT_SHARE = 0.12
"""Mass of the striking vehicle over that of the struck one where the record doesn't say."""
STEP = 1e-4  # s
FIRST, AFTER = -0.2, 0.4
"""The course begins so long before contact and ends so long after the pulse, s."""


@dataclass(frozen=True)
class Course:
    """Planned motions: states (n, 15) of each vehicle's cg at fine times (n,)."""

    time: Array
    states: Mapping[str, Array]
    contact_lasts: float  # s

    def state(self, vehicle: str, time: Array) -> Array:
        """Columns `tracker.values.STATE` (m, 15) at times (m,)."""
        whole = self.states[vehicle]
        return np.stack([np.interp(time, self.time, column) for column in whole.T], axis=1)

    def places(self, vehicle: str, time: Array, arms: Array) -> Array:
        """Ground places (m, k, 3) of arms (k, 3) from the cg, vehicle axes, m."""
        state = self.state(vehicle, time)
        out = np.empty((len(time), len(arms), 3))
        for k, arm in enumerate(arms):
            moved, _ = turned(state[:, 3:6], np.broadcast_to(arm, (len(time), 3)))
            out[:, k] = state[:, :3] + moved
        return out


def planned_course(record: PlannedRecord) -> Course:
    """The motions of all vehicles. Raises Problem without an intended speed or a striking vehicle
    that has a speed to lose.
    """
    intended = record.test.intended
    striking = _by_role(record, "striking")
    if not intended.speed or striking is None:
        raise Problem(
            "the plan needs the speed and who strikes",
            where=f"{record.path}, test.intended",
            remedy='add speed, as speed = "62 mi/h", and role = "striking" to one vehicle',
            status=RECORD,
        )
    share = _mass_share(record)
    angle = intended.angle or 0.0
    duration = intended.speed / MEAN_PULSE
    time = np.arange(FIRST, duration + AFTER, STEP)
    pulse = _pulse(time, duration) * MEAN_PULSE / (1 + share)
    slowing = np.cumsum(pulse) * STEP
    way = np.cumsum(slowing) * STEP
    along = np.array([np.cos(angle), np.sin(angle)])
    states = {}
    for name, vehicle in record.vehicles.items():
        at = _cg_at_contact(record, name, vehicle)
        role = vehicle.role
        gained = {"striking": -1.0, "struck": share}.get(role, 0.0)
        speed = intended.speed if role == "striking" else 0.0
        state = np.zeros((len(time), 15))
        state[:, :3] = at
        state[:, :2] += np.outer(speed * time + gained * way, along)
        state[:, 6:8] = np.outer(speed + gained * slowing, along)
        state[:, 12:14] = np.outer(gained * pulse, along)
        aside = SIDEWAYS * gained * np.array([-along[1], along[0]])
        state[:, :2] += np.outer(way, aside)
        state[:, 6:8] += np.outer(slowing, aside)
        state[:, 12:14] += np.outer(pulse, aside)
        state[:, 5] = angle if role == "striking" else 0.0
        size = {"striking": 1.0, "struck": share}.get(role, 0.0)
        swing = _swing(time, duration)
        for column, largest in ((2, -RISE), (3, ROLL), (4, PITCH), (5, YAW)):
            _add(state, column, largest * size * swing)
        states[name] = state
    return Course(time, states, float(duration))


def _pulse(time: Array, duration: float) -> Array:
    """The pulse's course with mean 1 over its duration."""
    share = time / duration
    level = np.interp(share, [s for s, _ in SHAPE], [v for _, v in SHAPE], left=0.0, right=0.0)
    for size, rate in RIPPLES:
        level = level * (1 + size * np.sin(2 * np.pi * rate * time))
    return np.asarray(level / (np.sum(level) * STEP / duration))


def _swing(time: Array, duration: float) -> Array:
    """From 0 at contact to 1 at the pulse's end and back."""
    share = np.clip(time / (2 * duration), 0.0, 1.0)
    return np.asarray(np.sin(np.pi * share) ** 2)


def _add(state: Array, column: int, change: Array) -> None:
    """Add a change of a pose component with its derivatives."""
    rate = np.gradient(change, STEP)
    state[:, column] += change
    state[:, column + 6] += rate
    if column < 3:
        state[:, column + 12] += np.gradient(rate, STEP)


def _by_role(record: PlannedRecord, role: str) -> Vehicle | None:
    return next((v for v in record.vehicles.values() if v.role == role), None)


def _mass_share(record: PlannedRecord) -> float:
    """Mass of the striking over the struck vehicle; 0 without a struck one."""
    a, b = _by_role(record, "striking"), _by_role(record, "struck")
    if a is None or b is None:
        return 0.0
    return a.mass / b.mass if a.mass and b.mass else LIGHT_SHARE


def _cg_at_contact(record: PlannedRecord, name: str, vehicle: Vehicle) -> Array:
    """Where the cg is at time zero, ground axes, m."""
    intended = record.test.intended
    angle = (intended.angle or 0.0) if vehicle.role == "striking" else 0.0
    cg = np.array(vehicle.cg)
    arm, _ = turned(np.array([[0.0, 0.0, angle]]), cg[None])
    if vehicle.at_contact is not None:
        return np.asarray(np.array(vehicle.at_contact) + arm[0])
    places = [m.at for m in vehicle.markers.values() if m.at is not None]
    ends = [at[0] for at in (*places, *vehicle.points.values())] or [0.0]
    end = max(ends) if vehicle.role == "striking" else min(ends)
    at = arm[0] - [end * np.cos(angle), end * np.sin(angle), 0.0]
    if vehicle.role == "striking":
        at[1] = intended.offset or 0.0
    return np.asarray(at)
