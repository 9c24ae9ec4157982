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

from calibration.camera import Array

GRAVITY = 9.80665  # m/s2
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
    i = np.searchsorted(_CLOSING, d) - 1
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
def _contact(s: Array, force: float, chassis: Array, closing: float) -> tuple[Array, Array]:
    """Force on the car (3,) and its place (3,), ground axes."""
    c, w = np.cos(s[5]), np.sin(s[5])
    reach = CAR_OVERHANG - chassis[0, 4] - nose_share(closing)
    y_nose = s[1] + reach * w
    y_tail = s[13] - chassis[1, 5]
    low = max(y_nose - CAR_HALF_WIDTH, y_tail - CUSHION_WIDTH / 2)
    high = min(y_nose + CAR_HALF_WIDTH, y_tail + CUSHION_WIDTH / 2)
    middle = 0.7 * (low + high) / 2 + 0.3 * min(max(y_tail, low), high)  # its core is stiffer
    height = 0.385 + 0.13 * min(max(closing / 2.6, 0.0), 1.0) ** 3  # the nose climbs late
    place = np.array([s[0] + reach * c, middle, -height])
    lift = 0.018 + 0.05 * min(max(closing / 3.0, 0.0), 1.0) ** 2
    slip = np.tanh((s[7] + reach * c * s[11]) / 0.8)
    push = force * np.array([-1.0, 0.02 - 0.15 * slip, -lift])
    return push, place


@njit(cache=True)
def _cross(a: Array, b: Array) -> Array:
    return np.array(
        [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
    )


@njit(cache=True)
def _wheels(s: Array, chassis: Array) -> tuple[Array, Array]:
    """Force (3,) of the ground on the wheels and its moment about the cg, in heading axes."""
    mass, axles, half_track = chassis[0], chassis[7:9], chassis[9]
    springs, dampers, braked, rolling = chassis[10:12], chassis[12:14], chassis[14:16], chassis[16]
    z, roll, pitch, yaw = s[2], s[3], s[4], s[5]
    vx = s[6] * np.cos(yaw) + s[7] * np.sin(yaw)
    vy = -s[6] * np.sin(yaw) + s[7] * np.cos(yaw)
    total, moment = np.zeros(3), np.zeros(3)
    for a in range(2):
        x = axles[a]
        static = mass * GRAVITY / 2 * abs(axles[1 - a]) / (axles[0] - axles[1])
        for side in (-1.0, 1.0):
            y = side * half_track
            sunk = z - chassis[6] - x * pitch + y * roll
            rate = s[8] - x * s[10] + y * s[9]
            load = static + springs[a] * sunk + dampers[a] * rate
            load += 12 * springs[a] * max(0.0, sunk - 0.07)  # bump stop
            load = max(0.0, load)
            along, across = vx - y * s[11], vy + x * s[11]
            fx = -max(braked[a], rolling) * load * np.tanh(along / 0.05)
            fy = -0.75 * load * np.tanh(9.0 * np.arctan2(across, max(abs(along), 2.0)))
            force = np.array([fx, fy, -load])
            total += force
            moment += _cross(np.array([x, y, -z]), force)
    return total, moment


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
    push, place = _contact(s, force, chassis, closing)
    out = np.empty(24)
    friction = np.empty(2)
    for v in range(2):
        own = s[12 * v : 12 * v + 12]
        ground, moment = _wheels(own, chassis[v])
        acting = push if v == 0 else -push
        arm = place - own[0:3]
        c, w = np.cos(own[5]), np.sin(own[5])
        arm = np.array([c * arm[0] + w * arm[1], c * arm[1] - w * arm[0], arm[2]])
        turned = np.array([c * acting[0] + w * acting[1], c * acting[1] - w * acting[0], acting[2]])
        moment = moment + _cross(arm, turned)
        friction[v] = c * ground[0] - w * ground[1]
        out[12 * v : 12 * v + 6] = own[6:12]
        out[12 * v + 6] = (friction[v] + acting[0]) / chassis[v, 0]
        out[12 * v + 7] = (w * ground[0] + c * ground[1] + acting[1]) / chassis[v, 0]
        out[12 * v + 8] = (ground[2] + acting[2]) / chassis[v, 0] + GRAVITY
        out[12 * v + 9 : 12 * v + 12] = moment / chassis[v, 1:4]
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
        derivative[i], force[i], friction[i] = rates(states[i], chassis, stiffness, peaks[i])
        closing[i] = closing_of(states[i], chassis)[0]
    return derivative, force, friction, closing
