"""The invented redirection: a pickup in the plane, two corners against a rail that yields.

The rail pushes back on each corner by its penetration, gives a little of it back, and rubs; tyres
resist slip. Ride-up, roll and pitch are laid over it as smooth bumps. Everything downstream takes
the motion as exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from calibration.arrays import Array
from calibration.constants import GRAVITY
from tracker.demo.roadside.scenario import FACE, RAIL, RoadsideScenario

CG = (-1.75, 0.012, -0.71)
"""m, vehicle axes; their origin lies on the ground below the middle of the front axle."""
FRONT, LENGTH, HALF = 0.95, 5.80, 1.0
"""m; foremost place, length and half width of the pickup."""
_YAW_INERTIA = 5600.0  # kg m2
_STEP = 1e-4  # s
_PUSH, _STIFFNESS, _SHAPE = 110e3, 260e3, 0.05  # N, N/m, m
_SPRING_BACK, _PERMANENT = 0.14, 0.80  # m of parting in which a push dies; share of deflection kept
_RUB, _TYRE = 0.16, 0.75  # 1
_SPREAD = 1.7  # m; how far along the rail a deflection reaches
_RING = 80.0  # rad/s; of the rail's own motion
_AXLES = (1.75, -1.82)  # m from the cg


@dataclass(frozen=True)
class Redirection:
    """The motion of the pickup and of the rail, times in steps."""

    time: Array  # (n,) s
    path: CubicSpline  # (6) x, y, z of the cg, roll, pitch, yaw
    nodes: Array  # (k,) m along the rail
    rail: CubicSpline  # (k,) m, deflection of each node
    force: Array  # (n,) N, of the rail on the vehicle

    def state(self, time: Array) -> Array:
        """Columns `tracker.core.types.STATE` (m, 15) at times (m,)."""
        inside = np.clip(time, self.time[0], self.time[-1])
        second = self.path(inside, 2)[:, :3]
        return np.hstack([self.path(inside), self.path(inside, 1), second])

    @property
    def exit_time(self) -> float:
        """When the rail pushes for the last time, s."""
        return float(self.time[np.flatnonzero(self.force > 0)[-1]])


def redirect(scenario: RoadsideScenario) -> Redirection:
    """The pickup from before its first touch to after the film's end."""
    lever_arms = np.array([[FRONT - CG[0], HALF - CG[1]], [FRONT - LENGTH - CG[0], HALF - CG[1]]])
    nodes = np.arange(RAIL[0], RAIL[1] + 0.01, 0.5)
    lead, last = scenario.before + 0.05, scenario.after + 0.05
    state = _at_contact(scenario, lever_arms[0])
    n = round(last / _STEP)
    states, pushes = np.empty((n + 1, 6)), np.zeros(n + 1)
    rails = np.zeros((n + 1, len(nodes)))
    most, worst = np.zeros(2), np.zeros(len(nodes))
    rail, rate = np.zeros(len(nodes)), np.zeros(len(nodes))
    for k in range(n + 1):
        states[k], rails[k] = state, rail
        forces, deep, places = _pushes(state, lever_arms, most, worst, nodes)
        pushes[k] = forces.sum()
        most = np.maximum(most, deep)
        wanted = _PERMANENT * worst
        for c in range(2):
            if forces[c] > 0:
                reach = (deep[c] if c == 0 else places[c, 1] - FACE) * np.exp(
                    -(((nodes - places[c, 0]) / _SPREAD) ** 2)
                )
                worst, wanted = np.maximum(worst, reach), np.maximum(wanted, reach)
        rate = rate + _STEP * (_RING**2 * (wanted - rail) - 2 * _RING * rate)
        rail = rail + _STEP * rate
        middle = state + _STEP / 2 * _rates(state, lever_arms, forces, scenario.vehicle_mass)
        state = state + _STEP * _rates(middle, lever_arms, forces, scenario.vehicle_mass)
    m = round(lead / _STEP)
    past = states[0] - np.arange(m, 0, -1)[:, None] * _STEP * np.r_[states[0, 3:], np.zeros(3)]
    time: Array = np.arange(-m, n + 1) * np.float64(_STEP)
    plane = np.vstack([past, states])
    path = np.column_stack([plane[:, :2], _lift_motion(time), plane[:, 2]])
    every = slice(None, None, 5)  # a spline through every half millisecond keeps rates smooth
    still = np.vstack([np.zeros((m, len(nodes))), rails])
    return Redirection(
        time,
        CubicSpline(time[every], path[every]),
        nodes,
        CubicSpline(time[every], still[every]),
        np.r_[np.zeros(m), pushes],
    )


def _at_contact(scenario: RoadsideScenario, lever_arm: Array) -> Array:
    """x, y, yaw and their rates (6,) when the right front corner touches the rail at x = 0.9 m."""
    c, s = np.cos(scenario.angle), np.sin(scenario.angle)
    corner = np.array([c * lever_arm[0] - s * lever_arm[1], s * lever_arm[0] + c * lever_arm[1]])
    x, y = np.array([0.9, FACE]) - corner
    return np.array([x, y, scenario.angle, scenario.speed * c, scenario.speed * s, 0.0])


def _pushes(
    state: Array, lever_arms: Array, most: Array, worst: Array, nodes: Array
) -> tuple[Array, Array, Array]:
    """Force (2,) N, penetration (2,) m and place (2, 2) of the corners."""
    c, s = np.cos(state[2]), np.sin(state[2])
    places = np.array([[c * a - s * b, s * a + c * b] for a, b in lever_arms]) + state[:2]
    free = np.array([FACE, FACE + _PERMANENT * float(np.interp(places[1, 0], nodes, worst))])
    deep = places[:, 1] - free
    forces = np.zeros(2)
    for k in range(2):
        if deep[k] > 0:
            top = max(most[k], deep[k])
            left = max(0.0, 1.0 - (top - deep[k]) / _SPRING_BACK)
            forces[k] = (_PUSH * np.tanh(top / _SHAPE) + _STIFFNESS * top) * left**2
    return forces, deep, places


def _rates(state: Array, lever_arms: Array, forces: Array, mass: float) -> Array:
    x_rate, y_rate, turning = state[3:]
    c, s = np.cos(state[2]), np.sin(state[2])
    total, moment = np.zeros(2), 0.0
    for (a, b), force in zip(lever_arms, forces, strict=True):
        place = np.array([c * a - s * b, s * a + c * b])
        sliding = x_rate - turning * place[1]
        push = np.array([-_RUB * force * np.tanh(sliding / 0.3), -force])
        total += push
        moment += place[0] * push[1] - place[1] * push[0]
    along, across = c * x_rate + s * y_rate, -s * x_rate + c * y_rate
    for x in _AXLES:
        load = mass * GRAVITY / 2
        slip = np.arctan2(across + turning * x, max(along, 2.0))
        side = -_TYRE * load * np.tanh(7.0 * slip)
        friction = -0.10 * load
        total += [c * friction - s * side, s * friction + c * side]
        moment += x * side
    return np.array([*state[3:], *(total / mass), moment / _YAW_INERTIA])


def _lift_motion(time: Array) -> Array:
    """Height of the cg, roll and pitch (n, 3) laid over the motion in the plane."""

    def bump(first: float, last: float, size: float) -> Array:
        inside = np.clip((time - first) / (last - first), 0.0, 1.0)
        return np.asarray(size * np.sin(np.pi * inside) ** 4)

    z = CG[2] + bump(0.03, 0.75, -0.11)
    roll = bump(0.02, 0.42, -0.10) + bump(0.30, 0.95, 0.055)
    pitch = bump(0.01, 0.40, -0.05) + bump(0.25, 0.80, 0.03)
    return np.column_stack([z, roll, pitch])
