"""Forces of the invented crash, compiled: crush cushion, tyres, springs, and what they move.

The state (24,) holds, for the car and then for the truck, x, y, z of the cg, roll, pitch, yaw and
their rates, in ground axes. A `chassis` row holds mass, inertia (3), cg (3), x of the two axles
from the cg, half track, springs (2), dampers (2), friction of locked wheels (2), coefficient of
rolling resistance.
"""

# mypy: disable-error-code="no-any-return"
# Compiled functions carry no types for what they return.

from __future__ import annotations

import numpy as np
from numba import njit

from calibration.arrays import Array
from calibration.constants import GRAVITY

UNLOADING = 0.02  # m of parting within which the cushion's force dies
CUSHION_LENGTH = 3.70  # m
CUSHION_WIDTH = 2.0  # m
CAR_HALF_WIDTH = 0.80  # m, of the nose
CAR_OVERHANG = 0.78  # m, from the front axle to the nose

_CLOSING = np.array([-9.0, 0, 0.045, 0.16, 0.32, 0.9, 1.5, 2.0, 2.5, 2.9, 3.2, 3.5, 3.8, 4.6])
_FORCE = np.array([0, 0, 168, 92, 101, 110, 117, 127, 139, 153, 175, 262, 520, 1600]) * 1e3


@njit(cache=True)
def cushion_force(closing: float, stiffness: float) -> float:
    """Force (N) of the loading cushion and the car's nose at a closing (m)."""
    if closing <= 0:
        return 0.0
    d = min(closing, 4.59)
    i = 0
    while _CLOSING[i + 1] < d:
        i += 1
    s = (d - _CLOSING[i]) / (_CLOSING[i + 1] - _CLOSING[i])
    ease = s * s * (3 - 2 * s)
    force = _FORCE[i] + (_FORCE[i + 1] - _FORCE[i]) * (0.5 * s + 0.5 * ease)
    fold = 1 + 0.09 * np.sin(2 * np.pi * d / 0.46) * min(1.0, d / 0.3)
    return force * fold * stiffness


@njit(cache=True)
def nose_share(closing: float) -> float:
    """How much of the closing (m) the car's nose takes, m; the cushion takes the rest."""
    d = max(closing, 0.0)
    return 0.13 * (1 - np.exp(-d / 0.12)) + 0.22 * min(d / 3.2, 1.2) ** 4


@njit(cache=True)
def closing_of(s: Array, chassis: Array) -> tuple[float, float]:
    """Closing (m) of the car's undeformed nose and the cushion's rear face, and its rate."""
    yaw, yaw_rate = s[5], s[11]
    reach = CAR_OVERHANG - chassis[0, 4]
    side = CAR_HALF_WIDTH * 0.9
    lean = np.sqrt(np.sin(yaw) ** 2 + 4e-4)
    nose = s[0] + reach * np.cos(yaw) + side * (lean - 0.02)
    slope = -reach * np.sin(yaw) + side * np.sin(yaw) * np.cos(yaw) / lean
    tail = s[12] - chassis[1, 4] - CUSHION_LENGTH
    return nose - tail, s[6] + slope * yaw_rate - s[18]


@njit(cache=True)
def _contact(s: Array, force: float, chassis: Array, closing: float, out: Array) -> None:
    """Force on the car (out[0:3]) and its place (out[3:6]), ground axes."""
    c, w = np.cos(s[5]), np.sin(s[5])
    reach = CAR_OVERHANG - chassis[0, 4] - nose_share(closing)
    y_nose = s[1] + reach * w
    y_tail = s[13] - chassis[1, 5]
    low = max(y_nose - CAR_HALF_WIDTH, y_tail - CUSHION_WIDTH / 2)
    high = min(y_nose + CAR_HALF_WIDTH, y_tail + CUSHION_WIDTH / 2)
    lift = 0.018 + 0.05 * min(max(closing / 3.0, 0.0), 1.0) ** 2
    slip = np.tanh((s[7] + reach * c * s[11]) / 0.8)
    out[0], out[1], out[2] = -force, force * (0.02 - 0.15 * slip), -force * lift
    out[3] = s[0] + reach * c
    out[4] = 0.7 * (low + high) / 2 + 0.3 * min(max(y_tail, low), high)  # its core is stiffer
    out[5] = -0.385 - 0.13 * min(max(closing / 2.6, 0.0), 1.0) ** 3  # the nose climbs late


@njit(cache=True)
def _add(out: Array, place: Array, force: Array) -> None:
    """Add a force (3,) at a place (3,) off the cg to force and moment (6,)."""
    for k in range(3):
        out[k] += force[k]
    out[3] += place[1] * force[2] - place[2] * force[1]
    out[4] += place[2] * force[0] - place[0] * force[2]
    out[5] += place[0] * force[1] - place[1] * force[0]


@njit(cache=True)
def _wheels(s: Array, at: int, chassis: Array, v: int, room: Array, out: Array) -> None:
    """Force and moment about the cg (6,) of the ground on a vehicle's wheels, heading axes.

    The vehicle's state begins at s[at]; its chassis is row `v`; `room` is (2, 3).
    """
    mass, half_track, rolling = chassis[v, 0], chassis[v, 9], chassis[v, 16]
    front, rear = chassis[v, 7], chassis[v, 8]
    z, roll, pitch, yaw = s[at + 2], s[at + 3], s[at + 4], s[at + 5]
    turning = s[at + 11]
    vx = s[at + 6] * np.cos(yaw) + s[at + 7] * np.sin(yaw)
    vy = -s[at + 6] * np.sin(yaw) + s[at + 7] * np.cos(yaw)
    for a in range(2):
        x, other = (front, rear) if a == 0 else (rear, front)
        spring, damper, braked = chassis[v, 10 + a], chassis[v, 12 + a], chassis[v, 14 + a]
        static = mass * GRAVITY / 2 * abs(other) / (front - rear)
        for side in (-1.0, 1.0):
            y = side * half_track
            sunk = z - chassis[v, 6] - x * pitch + y * roll
            rate = s[at + 8] - x * s[at + 10] + y * s[at + 9]
            load = static + spring * sunk + damper * rate
            load += 12 * spring * max(0.0, sunk - 0.07)  # bump stop
            load = max(0.0, load)
            along, across = vx - y * turning, vy + x * turning
            room[0, 0], room[0, 1], room[0, 2] = x, y, -z
            room[1, 0] = -max(braked, rolling) * load * np.tanh(along / 0.05)
            slip = np.arctan2(across, max(abs(along), 2.0))
            room[1, 1], room[1, 2] = -0.75 * load * np.tanh(9.0 * slip), -load
            _add(out, room[0], room[1])


@njit(cache=True)
def rates(s: Array, chassis: Array, stiffness: float, peak: float) -> tuple[Array, float, Array]:
    """Derivative of the state (24,), cushion force (N), ground friction along ground x (2,).

    `peak` is negative without contact, infinite while loading, afterwards the largest closing,
    from which the cushion unloads.
    """
    force = 0.0
    closing = closing_of(s, chassis)[0]
    if peak >= 0:
        force = cushion_force(closing, stiffness)
        if closing < peak and peak < np.inf:
            left = max(0.0, 1 - (peak - closing) / UNLOADING)
            force = cushion_force(peak, stiffness) * left**2
    push, room, friction = np.empty(6), np.empty((2, 3)), np.empty(2)
    _contact(s, force, chassis, closing, push)
    out = np.empty(24)
    for v in range(2):
        at, sense = 12 * v, 1.0 - 2.0 * v
        c, w = np.cos(s[at + 5]), np.sin(s[at + 5])
        acting = np.zeros(6)  # force and moment in heading axes
        _wheels(s, at, chassis, v, room, acting)
        friction[v] = c * acting[0] - w * acting[1]
        dx, dy = push[3] - s[at], push[4] - s[at + 1]
        room[0, 0], room[0, 1], room[0, 2] = c * dx + w * dy, c * dy - w * dx, push[5] - s[at + 2]
        room[1, 0] = sense * (c * push[0] + w * push[1])
        room[1, 1] = sense * (c * push[1] - w * push[0])
        room[1, 2] = sense * push[2]
        _add(acting, room[0], room[1])
        for k in range(6):
            out[at + k] = s[at + 6 + k]
        out[at + 6] = (c * acting[0] - w * acting[1]) / chassis[v, 0]
        out[at + 7] = (w * acting[0] + c * acting[1]) / chassis[v, 0]
        out[at + 8] = acting[2] / chassis[v, 0] + GRAVITY
        for k in range(3):
            out[at + 9 + k] = acting[3 + k] / chassis[v, 1 + k]
    return out, force, friction


@njit(cache=True)
def evaluate(
    states: Array, chassis: Array, stiffness: float, peaks: Array
) -> tuple[Array, Array, Array, Array]:
    """`rates`, force, friction and closing of many states (n, 24) with their `peaks` (n,)."""
    n = len(states)
    derivative, force = np.empty((n, 24)), np.empty(n)
    friction, closing = np.empty((n, 2)), np.empty(n)
    for i in range(n):
        rate, force[i], tyres = rates(states[i], chassis, stiffness, peaks[i])
        closing[i] = closing_of(states[i], chassis)[0]
        for k in range(24):
            derivative[i, k] = rate[k]
        friction[i, 0], friction[i, 1] = tyres[0], tyres[1]
    return derivative, force, friction, closing
