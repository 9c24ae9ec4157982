"""Attitude as yaw, pitch, roll (intrinsic z-y-x, SAE J670), kept in the order roll, pitch, yaw.

Axes: x forward, y right, z down. Yaw + turns the nose to the right, pitch + lifts the nose, roll +
lowers the right side. A rotation takes vehicle axes to ground axes: ground = R vehicle.
"""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array

STEEP = np.radians(80.0)
"""Beyond this pitch yaw and roll can hardly be distinguished (they merge at 90 degrees)."""


def rotation(angles: Array) -> Array:
    """Rotations (..., 3, 3) of angles (..., 3) = roll, pitch, yaw in rad; complex angles pass.

    R = Rz(yaw) Ry(pitch) Rx(roll). Source: Diebel 2006, "Representing Attitude", sequence
    (3, 2, 1), transposed (his matrix takes ground axes to vehicle axes).
    """
    (cr, sr), (cp, sp), (cy, sy) = (
        (np.cos(angles[..., k]), np.sin(angles[..., k])) for k in range(3)
    )
    rows = [
        [cy * cp, cy * sp * sr - sy * cr, cy * sp * cr + sy * sr],
        [sy * cp, sy * sp * sr + cy * cr, sy * sp * cr - cy * sr],
        [-sp, cp * sr, cp * cr],
    ]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def rotate_vectors(angles: Array, vectors: Array) -> tuple[Array, Array]:
    """Arms (..., 3) in vehicle axes seen in ground axes (..., 3), and the derivatives of that by
    roll, pitch, yaw (..., 3, 3); the last axis is the angle. Shapes broadcast.
    """
    r = rotation(angles)
    out = (r @ vectors[..., None])[..., 0]
    x, y, z = out[..., 0], out[..., 1], out[..., 2]
    ax, ay, az = (
        r[..., 0, 0],
        r[..., 1, 0],
        r[..., 2, 0],
    )  # the vehicle's own x, about which it rolls
    s, c = np.sin(angles[..., 2]), np.cos(angles[..., 2])  # (-s, c, 0): about which it pitches
    by = np.zeros((*out.shape, 3), dtype=out.dtype)
    by[..., 0, 0], by[..., 1, 0], by[..., 2, 0] = ay * z - az * y, az * x - ax * z, ax * y - ay * x
    by[..., 0, 1], by[..., 1, 1], by[..., 2, 1] = c * z, s * z, -s * y - c * x
    by[..., 0, 2], by[..., 1, 2] = -y, x
    return out, by


def point_motion(state: Array, lever_arm: Array) -> tuple[Array, Array]:
    """Position and velocity (..., 3), ground axes, of a point at `lever_arm` (3,) from
    the cg in vehicle axes, of a body whose motion is `state` (..., 15) in the columns `STATE`.
    """
    out, by_angles = rotate_vectors(
        state[..., 3:6], np.broadcast_to(lever_arm, (*state.shape[:-1], 3))
    )
    velocity = state[..., 6:9] + (by_angles @ state[..., 9:12, None])[..., 0]
    return state[..., 0:3] + out, velocity
