"""What each accelerometer channel would have read, predicted from the film."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.core.lever_arm import sensor_reading
from tracker.core.time_series import integrate
from tracker.core.vehicle_kinematics import body_rates

AXES = ("ax", "ay", "az")
RATES = ("roll_rate", "pitch_rate", "yaw_rate")
UNIT = dict.fromkeys(AXES, "m/s2") | dict.fromkeys(RATES, "rad/s")
STATE_OF = {"ax": 0, "ay": 1, "az": 2, "roll_rate": 3, "pitch_rate": 4, "yaw_rate": 5}
"""The column of the motion without which a channel can't be predicted."""


@dataclass(frozen=True)
class Predicted:
    """A channel as the film predicts it: readings and their integrals from `time[0]`."""

    time: Array  # (k,) s
    reading: Array  # (k,) m/s^2 or rad/s
    integral: Array  # (k,) m/s or rad
    draws: Array  # (m, k) integrals of draws


def predict_channel(channel: str, state: Array, time: Array, place: Array) -> Array:
    """Reading (..., k) of a sound channel of a sensor at `place`, from the film's motion.

    Parameters
    ----------
    channel : "ax", "ay", "az", "roll_rate", "pitch_rate" or "yaw_rate".
    state : (..., k, 15) motion of the cg in ground axes.
    time : (k,) s.
    place : (3,) sensor less cg, vehicle axes, m.

    Specific force less its reading on the level vehicle at rest: a nose-up pitch p adds g sin p
    to ax. Angular rates are those about the vehicle's axes.
    """
    if channel in RATES:
        return np.asarray(body_rates(state)[..., RATES.index(channel)])
    return np.asarray(sensor_reading(state, time, place)[..., AXES.index(channel)])


def predict(
    channels: Collection[str], state: Array, draws: Array, time: Array, place: Array
) -> dict[str, Predicted]:
    """These channels and their integrals, with the integrals of the draws (m, k, 15).

    The mean attitude before the film's time zero is taken as level, as the sensor's zero is.
    """
    everything = np.concatenate((state[None], draws))
    levelled = _subtract_gravity(everything, time)
    out = {}
    for names in (AXES, RATES):
        if not set(names) & set(channels):
            continue
        accelerations = names is AXES
        values = sensor_reading(levelled, time, place) if accelerations else body_rates(levelled)
        for k, name in enumerate(names):
            if name in channels:
                integral = integrate(time, values[..., k])
                out[name] = Predicted(time, values[0, :, k], integral[0], integral[1:])
    return out


def _subtract_gravity(state: Array, time: Array) -> Array:
    before = time < 0
    if not before.any():
        return state
    out = state.copy()
    out[..., 3:5] -= state[..., before, 3:5].mean(axis=-2, keepdims=True)
    return out
