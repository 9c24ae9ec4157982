"""What the car's accelerometer recorded of the invented crash, with the errors of such sensors."""

from __future__ import annotations

import numpy as np
from scipy import signal

from calibration.arrays import Array
from calibration.constants import GRAVITY
from tracker.demo.scene import Scene, rotation

LEVER = (0.055, 0.032, 0.048)  # m, of the sensor from the cg, vehicle axes
MODES = ((96.0, 0.06, 0.30), (233.0, 0.05, 0.22), (540.0, 0.05, 0.16), (910.0, 0.04, 0.10))
"""Frequency (Hz), damping, share of the car body's vibrations."""
ANTI_ALIAS = 1650.0  # Hz, of the recorder's filter: channel class 1000 of SAE J211-1
RATE_NOISE, RATE_BIAS = np.radians(0.35), np.radians(0.25)  # rad/s


def body_rates(state: Array) -> Array:
    """Angular velocity (n, 3) in vehicle axes, rad/s, of states (n, 15) (SAE J670 angles)."""
    roll, pitch = state[:, 3], state[:, 4]
    p, q, r = state[:, 9], state[:, 10], state[:, 11]
    return np.column_stack(
        [
            p - r * np.sin(pitch),
            q * np.cos(roll) + r * np.cos(pitch) * np.sin(roll),
            r * np.cos(pitch) * np.cos(roll) - q * np.sin(roll),
        ]
    )


def ideal(scene: Scene, time: Array) -> tuple[Array, Array]:
    """Specific force (n, 3) m/s2 less its reading at rest, at the sensor's place, and angular
    velocity (n, 3) rad/s, both in vehicle axes.
    """
    state = scene.history.state("car", time)
    omega = body_rates(state)
    alpha = np.gradient(omega, time, axis=0)
    lever = np.array(LEVER)
    turns = np.array([rotation(attitude) for attitude in state[:, 3:6]])
    gravity = np.array([0.0, 0.0, GRAVITY])
    at_cg = np.einsum("nji,nj->ni", turns, state[:, 12:15] - gravity) + gravity
    lifted = np.cross(alpha, lever) + np.cross(omega, np.cross(omega, lever))
    return at_cg + lifted, omega


def sensor_recording(scene: Scene) -> tuple[Array, Array, Array]:
    """Time (n,) s, accelerations (n, 3) g and angular velocities (n, 3) rad/s as recorded."""
    scenario, sensor = scene.scenario, scene.scenario.sensor
    n = round((sensor.before + sensor.after) * sensor.rate) + 1
    time = -sensor.before + np.arange(n) / sensor.rate
    rng = np.random.default_rng([scenario.seed, 4])
    true, omega = ideal(scene, time - sensor.shift)
    force = np.interp(time - sensor.shift, scene.history.time, scene.history.force)
    a = true / GRAVITY + sensor.ringing * _ringing(true[:, 0] / GRAVITY, force, sensor.rate, rng)
    low_pass = signal.butter(4, ANTI_ALIAS, fs=sensor.rate, output="sos")
    a = signal.sosfiltfilt(low_pass, a, axis=0)
    a = a * sensor.scale + sensor.bias + rng.normal(0.0, sensor.noise, (n, 3))
    drift = rng.normal(0.0, RATE_BIAS, 3)
    return time, a, omega + drift + rng.normal(0.0, RATE_NOISE, (n, 3))


def _ringing(drive: Array, force: Array, rate: float, rng: np.random.Generator) -> Array:
    """Vibration of the car's body (n, 3) g: struck modes and crackling of the crushed sheets.

    Each mode passes nothing at zero frequency, so the velocity that it adds dies away.
    """
    out = np.zeros((len(drive), 3))
    for frequency, damping, share in MODES:
        w = 2 * np.pi * frequency
        b, a = signal.bilinear([w * share, 0.0], [1.0, 2 * damping * w, w * w], fs=rate)
        struck = signal.lfilter(b, a, drive)
        out += struck[:, None] * [1.0, rng.normal(0.0, 0.35), rng.normal(0.0, 0.6)]
    crackle = rng.normal(size=(len(drive), 3)) * (force / 120e3)[:, None] * [2.6, 2.2, 3.4]
    band = signal.butter(2, (180.0, 1500.0), "bandpass", fs=rate, output="sos")
    return np.asarray(out + signal.sosfilt(band, crackle, axis=0))
