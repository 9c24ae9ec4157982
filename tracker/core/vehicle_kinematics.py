"""Attitude of a vehicle: rotation matrices and body rates from the angles of a motion state."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array

GRAVITY = 9.80665
"""Standard gravity, m/s^2 (exact by definition)."""


def vehicle_to_ground(roll: Array, pitch: Array, yaw: Array) -> Array:
    """R (..., 3, 3) with ground = R vehicle, for yaw, then pitch, then roll (SAE J670)."""
    cr, sr = np.cos(roll), np.sin(roll)
    cp, sp = np.cos(pitch), np.sin(pitch)
    cy, sy = np.cos(yaw), np.sin(yaw)
    first = (cy * cp, cy * sp * sr - sy * cr, cy * sp * cr + sy * sr)
    second = (sy * cp, sy * sp * sr + cy * cr, sy * sp * cr - cy * sr)
    third = (-sp, cp * sr, cp * cr)
    flat = np.stack(first + second + third, axis=-1)
    return flat.reshape(*flat.shape[:-1], 3, 3)


def body_rates(state: Array) -> Array:
    """Angular velocity (..., 3) in vehicle axes, rad/s, of motion states (..., 15).

    p = roll' - yaw' sin(pitch); q = pitch' cos(roll) + yaw' cos(pitch) sin(roll);
    r = yaw' cos(pitch) cos(roll) - pitch' sin(roll). Textbook kinematics of z-y-x angles.
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
