"""A simulated impact: true motion, a film's posterior of it, and an accelerometer's record.

The film's errors are smooth and random with the very distribution of its draws; the accelerometer
is sound within its stated tolerance until a fault is put in.
"""

from dataclasses import dataclass

import numpy as np

from calibration.constants import GRAVITY
from tracker.accelerometers import judge_channels, sensor_reading

CG = np.array([0.0, 0.0, -0.55])
PLACE = np.array([0.1, 0.05, -0.45])
RATE = 10_000.0


@dataclass(frozen=True)
class Scene:
    time: np.ndarray  # (k,) s, film
    truth: np.ndarray  # (k, 15)
    state: np.ndarray  # (k, 15) film
    draws: np.ndarray  # (m, k, 15)
    fine: np.ndarray  # (n,) s, accelerometer
    channels: dict[str, np.ndarray]  # (n,) m/s^2, rad/s
    gain: dict[str, float]  # of the channels, within the tolerance of a sound one
    delay: dict[str, float]  # s
    bias: dict[str, float]  # after time zero


def scene(seed, *, count=120, film_mm=0.5, sound=True):
    """A braking, slightly turning and pitching vehicle on film and on instruments."""
    rng = np.random.default_rng(seed)
    shape = _shape(rng)
    film_time = np.arange(-0.08, 0.32, 0.001)
    fine = np.arange(-0.1, 0.35, 1 / RATE)
    truth = shape(film_time)
    error = _errors(rng, film_time, count + 1, film_mm * 1e-3)
    state = truth + error[0]
    reading = sensor_reading(shape(fine), fine, PLACE - CG)
    yaw_rate = shape(fine)[:, 11]
    channels = {}
    for k, name in enumerate(("ax", "ay", "az")):
        channels[name] = reading[:, k]
    channels["yaw_rate"] = yaw_rate.copy()
    gain, delay, bias = (dict.fromkeys(channels, value) for value in (1.0, 0.0, 0.0))
    for name, values in channels.items():
        unit = GRAVITY if name != "yaw_rate" else 0.05
        if sound:
            gain[name] = 1 + 0.01 * rng.standard_normal()
            delay[name] = rng.uniform(-0.0005, 0.0005)
            bias[name] = 0.03 * unit * rng.standard_normal()
            values = gain[name] * np.interp(fine - delay[name], fine, values)
            ring = 2 * np.pi * rng.uniform(40, 160)
            shaking = (
                rng.choice([-4, 4])
                * unit
                * np.sin(ring * fine)
                * np.exp(-np.maximum(fine, 0) / 0.04)
            )
            values = values + (fine > 0) * (bias[name] + shaking)
        channels[name] = values + 0.3 * unit * rng.standard_normal(len(fine))
    return Scene(film_time, truth, state, state + error[1:], fine, channels, gain, delay, bias)


def accelerometer(made, channels=None, full_scale=None):
    return judge_channels("car", PLACE, made.fine, channels or made.channels, full_scale)


def _shape(rng):
    speed = rng.uniform(12, 28)
    peak, length = rng.uniform(9, 18) * GRAVITY, rng.uniform(0.1, 0.2)
    second, at = rng.uniform(0.2, 0.6), rng.uniform(0.3, 0.6)
    lateral = rng.uniform(-4, 4) * GRAVITY
    pitch, yaw = rng.uniform(-0.1, 0.1), rng.uniform(-0.1, 0.1)

    def pulse(t, begin, width):
        q = np.clip((t - begin) / width, 0, 1)
        return np.sin(np.pi * q) ** 2

    def moving(t):
        """Motion by integrating the accelerations on a fine grid of its own."""
        grid = np.arange(-0.12, 0.4, 1e-4)
        angles, rates = np.zeros((len(grid), 3)), np.zeros((len(grid), 3))
        for k, size in ((1, pitch), (2, yaw)):
            rates[:, k] = size * np.pi * pulse(grid, 0.02, 0.25)
            angles[:, k] = np.cumsum(rates[:, k]) * 1e-4
        a = np.zeros((len(grid), 3))
        a[:, 0] = -peak * (pulse(grid, 0, length) + second * pulse(grid, at * length, 0.6 * length))
        a[:, 1] = lateral * pulse(grid, 0.01, 0.12)
        a[:, 2] = 0.5 * GRAVITY * (pulse(grid, 0, 0.1) - pulse(grid, 0.1, 0.1))
        v = np.cumsum(a, axis=0) * 1e-4 + [speed, 0, 0]
        x = np.cumsum(v, axis=0) * 1e-4
        everything = np.hstack((x, angles, v, rates, a))
        return np.stack([np.interp(t, grid, everything[:, k]) for k in range(15)], axis=-1)

    return moving


def _errors(rng, time, count, sd):
    """Smooth random errors of six coordinates, band-limited to 40 Hz, with their derivatives."""
    frequency = np.arange(1, 25) / 0.6
    omega = 2 * np.pi * frequency
    out = np.zeros((count, len(time), 15))
    cos, sin = np.cos(np.outer(omega, time)), np.sin(np.outer(omega, time))
    for k in range(6):
        size = (sd if k < 3 else sd / 2.0) / np.sqrt(len(omega))
        a, b = size * rng.standard_normal((2, count, len(omega)))
        out[..., k] = a @ cos + b @ sin
        out[..., (6 + k)] = (b * omega) @ cos - (a * omega) @ sin
        if k < 3:
            out[..., 12 + k] = -(a * omega**2) @ cos - (b * omega**2) @ sin
    return out
