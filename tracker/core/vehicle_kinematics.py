"""Turning rates of a vehicle about its own axes, and what gravity adds to its sensors."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from calibration.constants import GRAVITY


def body_rates(state: Array) -> Array:
    """Angular velocity (..., 3) in vehicle axes, rad/s, of motion states (..., 15).

    p = roll' - yaw' sin(pitch); q = pitch' cos(roll) + yaw' cos(pitch) sin(roll);
    r = yaw' cos(pitch) cos(roll) - pitch' sin(roll). Source: Diebel 2006, "Representing
    Attitude", rates of Euler angles to body rates, sequence (3, 2, 1).
    """
    roll, pitch = state[..., 3], state[..., 4]
    roll_rate, pitch_rate, yaw_rate = state[..., 9], state[..., 10], state[..., 11]
    return np.stack(
        (
            roll_rate - yaw_rate * np.sin(pitch),
            pitch_rate * np.cos(roll) + yaw_rate * np.cos(pitch) * np.sin(roll),
            yaw_rate * np.cos(pitch) * np.cos(roll) - pitch_rate * np.sin(roll),
        ),
        axis=-1,
    )


def gravity_reading(roll: Array, pitch: Array) -> Array:
    """What gravity adds to the accelerometers (..., 3) of a tilted vehicle, m/s^2.

    Specific force less its reading on the level vehicle at rest: a nose-up pitch p adds g sin p
    to the longitudinal channel.
    """
    return GRAVITY * np.stack(
        (
            np.sin(pitch),
            -np.cos(pitch) * np.sin(roll),
            1.0 - np.cos(pitch) * np.cos(roll),
        ),
        axis=-1,
    )
