"""The invented pole test: a small car strikes a pole whose base slips; the pole turns over the car.

The pole pushes back by a smooth pulse off the car's middle; tyres resist slip. The base lets go
within the pulse: the ground takes what it gave before, the pole, a free rod, what comes after.
Heave, roll and pitch are laid over it as smooth bumps. Everything downstream takes the motion as
exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from calibration.arrays import Array
from calibration.constants import GRAVITY
from tracker.demo import physics
from tracker.demo.roadside.scenario import POLE_HEIGHT, POLE_Y, PoleScenario

FRONT = 0.78
"""m, vehicle axes; foremost place of the small car."""
STRUCK = 0.50
"""m; height at which the car strikes the pole."""
BREAKS_AT = 0.008
"""s; when the base lets go."""
POLE_MASS = 95.0  # kg
_PUSH, _LASTS = 140e3, 0.024  # N, s: greatest force and length of the pulse
_TYRE, _ROLLING = 0.75, 0.02
_STEP = 1e-4  # s
_LIFT = 0.22  # of the push, upwards: the bonnet is a ramp
_DYNAMIC, _PERMANENT = 0.014, 0.009  # m, of the foundation in its soil: at most, and for good


@dataclass(frozen=True)
class PoleStrike:
    """The motion of car, pole and foundation, times in steps."""

    time: Array  # (n,) s
    path: CubicSpline  # (6) x, y, z of the car's cg, roll, pitch, yaw
    pole: CubicSpline  # (3) x, z of the pole's middle from where it stood, m; its turn, rad
    crush: Array  # (n,) m, of the car's nose

    def state(self, time: Array) -> Array:
        """Columns `tracker.core.types.STATE` of the car (m, 15) at times (m,)."""
        inside = np.clip(time, self.time[0], self.time[-1])
        return np.hstack([self.path(inside), self.path(inside, 1), self.path(inside, 2)[:, :3]])

    @property
    def exit_time(self) -> float:
        """When the pole pushes for the last time, s."""
        return _LASTS

    def nose(self, time: float) -> float:
        """How much the car's nose is shortened, m."""
        return float(np.interp(time, self.time, self.crush))


def push(time: Array) -> Array:
    """Force of the pole on the car at times (n,), N, against its motion."""
    inside = (time > 0) & (time < _LASTS)
    return np.where(inside, _PUSH * np.sin(np.pi * time / _LASTS) ** 2, 0.0)


def foundation(time: float) -> float:
    """How far the foundation has moved along x, m."""
    there = _smooth(time / 0.016)
    return _DYNAMIC * there - (_DYNAMIC - _PERMANENT) * _smooth((time - 0.020) / 0.05)


def strike(scenario: PoleScenario) -> PoleStrike:
    """The car from before its first touch to after the film's end."""
    chassis = physics.car(scenario)
    lead, last = scenario.before + 0.05, scenario.after + 0.05
    m, n = round(lead / _STEP), round(last / _STEP)
    time: Array = np.arange(-m, n + 1) * np.float64(_STEP)
    start = np.array([-(FRONT - chassis.cg[0]), 0.0, 0.0, scenario.speed, 0.0, 0.0])
    states = np.empty((n + 1, 6))
    state = start
    for k in range(n + 1):
        states[k] = state
        force = push(time[m + k : m + k + 1])[0]
        middle = state + _STEP / 2 * _rates(state, force, chassis)
        force = push(time[m + k : m + k + 1] + _STEP / 2)[0]
        state = state + _STEP * _rates(middle, force, chassis)
    past = start + np.arange(-m, 0)[:, None] * _STEP * np.r_[start[3:], np.zeros(3)]
    plane = np.vstack([past, states])
    path = np.column_stack([plane[:, :2], _lift_motion(time, chassis.cg[2]), plane[:, 2]])
    pole = _flight(time)
    touched = pole[:, 0] + np.sin(pole[:, 2]) * (POLE_HEIGHT / 2 - STRUCK)
    front = plane[:, 0] + FRONT - chassis.cg[0]
    pressed = np.where((time > 0) & (time < _LASTS), front - touched, 0.0)
    crush = np.maximum.accumulate(np.maximum(pressed, 0.0))
    every = slice(None, None, 5)  # a spline through every half millisecond keeps rates smooth
    return PoleStrike(
        time, CubicSpline(time[every], path[every]), CubicSpline(time[every], pole[every]), crush
    )


def _rates(state: Array, force: float, chassis: physics.Chassis) -> Array:
    yaw, turning = state[2], state[5]
    c, s = np.cos(yaw), np.sin(yaw)
    mass = chassis.mass
    lever_arm = np.array(
        [FRONT - chassis.cg[0], POLE_Y - chassis.cg[1]]
    )  # in vehicle axes, yaw is small
    total, moment = np.array([-force, 0.0]), lever_arm[1] * force
    along, across = c * state[3] + s * state[4], -s * state[3] + c * state[4]
    for x in chassis.axles:
        slip = np.arctan2(across + turning * x, along)
        side = -_TYRE * mass * GRAVITY / 2 * np.tanh(7.0 * slip)
        drag = -_ROLLING * mass * GRAVITY / 2
        total += np.array([c * drag - s * side, s * drag + c * side])
        moment += x * side
    return np.array([*state[3:], *(total / mass), moment / chassis.inertia[2]])


def _flight(time: Array) -> Array:
    """x, z (down) of the pole's middle and its turn, foot ahead (n, 3)."""
    free = np.where(time > BREAKS_AT, push(time), 0.0)
    inertia = POLE_MASS * POLE_HEIGHT**2 / 12
    lever_arm = POLE_HEIGHT / 2 - STRUCK

    def twice(rate: Array) -> Array:
        return np.asarray(np.cumsum(np.cumsum(rate) * _STEP) * _STEP)

    drop = 0.5 * GRAVITY * np.clip(time - BREAKS_AT, 0.0, None) ** 2
    ahead = twice(free / POLE_MASS)
    return np.column_stack([ahead, drop - _LIFT * ahead, twice(free * lever_arm / inertia)])


def _lift_motion(time: Array, height: float) -> Array:
    """Height of the cg, roll and pitch (n, 3) laid over the motion in the plane."""

    def bump(first: float, last: float, size: float) -> Array:
        inside = np.clip((time - first) / (last - first), 0.0, 1.0)
        return np.asarray(size * np.sin(np.pi * inside) ** 4)

    z = height + bump(0.02, 0.50, -0.05)
    roll = bump(0.01, 0.40, 0.025) + bump(0.20, 0.70, -0.012)
    pitch = bump(0.005, 0.30, -0.030) + bump(0.15, 0.60, 0.014)
    return np.column_stack([z, roll, pitch])


def _smooth(share: float) -> float:
    x = min(1.0, max(0.0, share))
    return x * x * x * (10.0 - 15.0 * x + 6.0 * x * x)
