"""Accelerations carried between the sensor's place and the cg of a rigid vehicle."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.core.rigid_body import rotation
from tracker.core.vehicle_kinematics import body_rates, gravity_reading


def lever_acceleration(rates: Array, time: Array, lever: Array) -> Array:
    """Acceleration of the sensor relative to the cg, alpha x r + omega x (omega x r).

    Parameters
    ----------
    rates : (..., n, 3) angular velocity in vehicle axes, rad/s.
    time : (n,) s.
    lever : (3,) sensor less cg, vehicle axes, m.

    Returns
    -------
    (..., n, 3) m/s^2 in vehicle axes. The angular acceleration is the rates' central difference.
    Source: kinematics of a rigid body.
    """
    angular = np.gradient(rates, time, axis=-2)
    turning = np.cross(rates, np.cross(rates, lever))
    return np.asarray(np.cross(angular, np.broadcast_to(lever, angular.shape)) + turning)


def to_cg(acceleration: Array, rates: Array, time: Array, lever: Array) -> Array:
    """Acceleration of the cg (..., n, 3) from that of the sensor: a_s less the lever's part.

    Shapes, units and source as in `lever_acceleration`.
    """
    return acceleration - lever_acceleration(rates, time, lever)


def cg_acceleration(state: Array) -> Array:
    """Acceleration of the cg in vehicle axes (..., n, 3), m/s^2, of motion states (..., n, 15)."""
    attitude = rotation(state[..., 3:6])
    return np.asarray(np.einsum("...ji,...j->...i", attitude, state[..., 12:15]))


def sensor_reading(state: Array, time: Array, lever: Array) -> Array:
    """What sound accelerometers would read (..., n, 3), m/s^2, in vehicle axes.

    Parameters
    ----------
    state : (..., n, 15) motion of the cg in ground axes, columns `tracker.core.types.STATE`.
    time : (n,) s.
    lever : (3,) sensor less cg, vehicle axes, m.

    Specific force of the sensor's place less its reading on the level vehicle at rest, so a
    nose-up pitch p adds g sin p to the longitudinal channel.
    """
    lever = np.asarray(lever, dtype=float)
    at_lever = lever_acceleration(body_rates(state), time, lever)
    return cg_acceleration(state) + at_lever + gravity_reading(state[..., 3], state[..., 4])
