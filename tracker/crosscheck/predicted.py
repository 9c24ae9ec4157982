"""What each accelerometer channel would have read, told by the film."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.camera import Array
from tracker.integration import integrate
from tracker.signals.attitude import body_rates
from tracker.signals.transfer import sensor_reading

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
    drawn: Array  # (m, k) integrals of draws


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


def predict(channel: str, state: Array, draws: Array, time: Array, place: Array) -> Predicted:
    """The channel (k,) and its integral, with the integrals of the draws (m, k, 15).

    The mean attitude before the film's time zero is taken as level, as the sensor's zero is.
    """
    reading = predict_channel(channel, _levelled(state, time), time, place)
    drawn = predict_channel(channel, _levelled(draws, time), time, place)
    return Predicted(time, reading, integrate(time, reading), integrate(time, drawn))


def _levelled(state: Array, time: Array) -> Array:
    before = time < 0
    if not before.any():
        return state
    out = state.copy()
    out[..., 3:5] -= state[..., before, 3:5].mean(axis=-2, keepdims=True)
    return out
