"""From the file's channels to filtered channels that read 0 on the level vehicle at rest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.accelerometers.accelerometer import Accelerometer
from tracker.accelerometers.cfc import CLASSES, Constant, cfc_filter, least_rate
from tracker.accelerometers.options import ACCELEROMETERS


@dataclass(frozen=True)
class Conditioned:
    """Filtered channels (n,) less their offset, NaN after a channel's last good sample."""

    time: Array  # (n,) s
    channels: dict[str, Array]  # m/s^2, rad/s
    cfc: float  # class of the filter; NaN where the sample rate allows none
    constant: Constant
    offset: dict[str, float]  # taken off; 0 where there was too little record before time zero
    offset_u: dict[str, float]  # NaN where the offset is not known
    noise: dict[str, float]  # standard deviation of a sample before filtering
    notes: tuple[str, ...]


def condition(
    accelerometer: Accelerometer,
    cfc: float = 180,
    constant: Constant = "sae",
    expected: Mapping[str, Array] | None = None,
) -> Conditioned:
    """Offset before time zero taken off, then filtered (SAE J211-1: CFC 180 for integration).

    `expected` holds what a sound channel should read (n,), by channel: the offset is the mean of
    reading less expectation. Where the sample rate is too low for the class, the highest class
    that it allows is used and a note says so.
    """
    time = accelerometer.time
    notes = list(accelerometer.notes)
    chosen = _allowed_class(cfc, accelerometer.interval)
    if chosen != cfc:
        used = "no filter" if np.isnan(chosen) else f"CFC {chosen:g}"
        notes.append(
            f"{1 / accelerometer.interval:.6g} samples/s are too few for CFC {cfc:g}:"
            f" {used} was used"
        )
    channels, offset, offset_u, noise = {}, {}, {}, {}
    for name, values in accelerometer.channels.items():
        less = values - expected[name] if expected and name in expected else values
        offset[name], offset_u[name] = zero_offset(time, less)
        noise[name] = sample_noise(time, values)
        if np.isnan(offset_u[name]):
            notes.append(
                f"{name} has less than {ACCELEROMETERS.least_quiet * 1e3:.0f} ms before time zero:"
                " its offset could not be taken off"
            )
        good = np.flatnonzero(np.isfinite(values))
        out = np.full(len(values), np.nan)
        part = slice(int(good[0]), int(good[-1]) + 1)
        level = _fill_gaps(values[part]) - offset[name]
        out[part] = (
            level
            if np.isnan(chosen)
            else cfc_filter(
                level, accelerometer.interval, chosen, constant, where=accelerometer.file
            )
        )
        channels[name] = out
    return Conditioned(time, channels, chosen, constant, offset, offset_u, noise, tuple(notes))


def channel_class(accelerometer: Accelerometer, cfc: float = 180) -> float | None:
    """The class that `condition` filters by; None where the sample rate allows none."""
    chosen = _allowed_class(cfc, accelerometer.interval)
    return None if np.isnan(chosen) else chosen


def zero_offset(time: Array, values: Array) -> tuple[float, float]:
    """Mean reading (n,) before time zero and its standard uncertainty from block means.

    (0, NaN) where less than 10 ms lie before time zero.
    """
    quiet = values[(time < -ACCELEROMETERS.guard) & np.isfinite(values)]
    if (
        len(quiet) < ACCELEROMETERS.blocks
        or len(quiet) * (time[1] - time[0]) < ACCELEROMETERS.least_quiet - ACCELEROMETERS.guard
    ):
        return 0.0, float("nan")
    means = np.array([block.mean() for block in np.array_split(quiet, ACCELEROMETERS.blocks)])
    return float(quiet.mean()), float(means.std(ddof=1) / np.sqrt(ACCELEROMETERS.blocks))


def sample_noise(time: Array, values: Array) -> float:
    """Standard deviation of a single sample before time zero, slow parts removed."""
    quiet = values[(time < -ACCELEROMETERS.guard) & np.isfinite(values)]
    if len(quiet) < ACCELEROMETERS.least_samples:
        return float("nan")
    return float(np.std(np.diff(quiet)) / np.sqrt(2.0))


def _allowed_class(cfc: float, interval: float) -> float:
    rate = (1.0 / interval) * (1.0 + 1e-6)
    allowed = [c for c in (cfc, *CLASSES) if c <= cfc and least_rate(c) <= rate]
    return max(allowed, default=float("nan"))


def _fill_gaps(values: Array) -> Array:
    known = np.isfinite(values)
    if known.all():
        return values
    at = np.arange(len(values))
    return np.interp(at, at[known], values[known])
