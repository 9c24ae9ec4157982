"""The motion that the films gave, as an ISO/TS 13499 test folder.

Channels are those of each vehicle's cg in ground axes (SAE J1733): displacement, angle, velocity,
angular rate and acceleration, without filter class. The striking vehicle is test object 1, the
struck vehicle 2.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from calibration.arrays import Array
from tracker.accelerometers.iso13499 import Header, IsoChannel, IsoTest, make_channel
from tracker.core.types import STATE, Motion
from tracker.results.schema import Results

EDITION = "1.6"
ORDER = {"striking": 0, "struck": 1}
DIMENSIONS = {
    "x_m": ("DSX", "m"),
    "y_m": ("DSY", "m"),
    "z_m": ("DSZ", "m"),
    "roll_rad": ("ANX", "rad"),
    "pitch_rad": ("ANY", "rad"),
    "yaw_rad": ("ANZ", "rad"),
    "vx_mps": ("VEX", "m/s"),
    "vy_mps": ("VEY", "m/s"),
    "vz_mps": ("VEZ", "m/s"),
    "roll_rate_radps": ("AVX", "rad/s"),
    "pitch_rate_radps": ("AVY", "rad/s"),
    "yaw_rate_radps": ("AVZ", "rad/s"),
    "ax_mps2": ("ACX", "m/(s*s)"),
    "ay_mps2": ("ACY", "m/(s*s)"),
    "az_mps2": ("ACZ", "m/(s*s)"),
}
"""Physical dimension with direction, and unit, of each column of STATE."""


def iso_test(results: Results) -> IsoTest | None:
    """The test folder's content; None where no film determined a vehicle's motion."""
    objects = sorted(
        (name for name in results.vehicles if name in results.motion),
        key=lambda name: ORDER.get(results.vehicles[name].role, 2),
    )[:9]  # a test object is one digit
    channels = tuple(
        channel
        for number, name in enumerate(objects, 1)
        for channel in _channels(number, name, results.motion[name])
    )
    if not channels:
        return None
    name = re.sub(r"[^A-Za-z0-9_-]", "_", results.test.number)[:40] or "test"
    return IsoTest(name, _header(results, objects), (), channels)


def _channels(number: int, vehicle: str, motion: Motion) -> Iterable[IsoChannel]:
    if len(motion.time) < 2:
        return
    time = np.linspace(motion.time[0], motion.time[-1], len(motion.time))
    for i, column in enumerate(STATE):
        seen = motion.observed_mask[:, i]
        if not seen.any():
            continue
        dimension, unit = DIMENSIONS[column]
        values = _resample_evenly(motion.time, np.where(seen, motion.state[:, i], np.nan), time)
        if not np.isfinite(values).any():
            continue
        extra = {
            "Name of the channel": f"{vehicle} {column.rsplit('_', 1)[0]} from film",
            "Data source": "film",
            "Reference system": "ground axes SAE J1733",
        }
        yield make_channel(f"{number}0VEHCCG0000{dimension}0", time, values, unit, extra)


def _resample_evenly(time: Array, values: Array, even: Array) -> Array:
    """Values at equal steps: the files have no time axis. NaN next to what is NaN."""
    if np.abs(even - time).max() < 1e-9:
        return values
    return np.asarray(np.interp(even, time, values))


def _header(results: Results, objects: list[str]) -> Header:
    test = results.test
    rows = [
        ("Data format edition number", EDITION),
        ("Customer test ref. number", test.number),
        ("Title", test.title or ""),
        ("Date of the test", test.date or ""),
        ("Number of test objects", str(len(objects))),
    ]
    for number, name in enumerate(objects, 1):
        vehicle = results.vehicles[name]
        speed, mass = vehicle.impact_speed, vehicle.mass
        rows += [
            (f"Name of test object {number}", name),
            (f"Velocity test object {number}", "" if speed is None else f"{speed.value:.6g}"),
            (f"Mass test object {number}", "" if mass is None else f"{mass:.6g}"),
        ]
    return tuple(rows)
