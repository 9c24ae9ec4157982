"""Integrals, crossings and moving means of sampled signals, exact for straight lines between."""

from __future__ import annotations

import numpy as np
from scipy.integrate import cumulative_trapezoid

from calibration.arrays import Array


def integrate(time: Array, values: Array) -> Array:
    """Integral (..., n) from time[0], 0 at the first sample; values (..., n)."""
    return np.asarray(cumulative_trapezoid(values, time, axis=-1, initial=0))


def integrate_twice(time: Array, values: Array) -> tuple[Array, Array]:
    """First and second integrals (..., n) from time[0]; values (..., n)."""
    first = integrate(time, values)
    step = np.diff(time)
    areas = first[..., :-1] * step + step**2 * (2.0 * values[..., :-1] + values[..., 1:]) / 6.0
    start = np.zeros((*areas.shape[:-1], 1))
    return first, np.concatenate((start, np.cumsum(areas, axis=-1)), axis=-1)


def sample(time: Array, values: Array, at: Array) -> Array:
    """Values (m, n) of m signals at one time each (m,), straight between samples."""
    k = np.clip(np.searchsorted(time, at, side="right") - 1, 0, len(time) - 2)
    row = np.arange(len(values))
    share = (at - time[k]) / (time[k + 1] - time[k])
    return np.asarray((1.0 - share) * values[row, k] + share * values[row, k + 1])


def integral_at(time: Array, values: Array, integral: Array, at: Array) -> Array:
    """The integral (m, n) of values (m, n) at times (m, j), or (j,) for every row alike.

    Exact for straight lines between samples.
    """
    k = np.clip(np.searchsorted(time, at, side="right") - 1, 0, len(time) - 2)
    row = slice(None) if at.ndim == 1 else np.arange(len(values))[:, None]
    left, right = values[row, k], values[row, k + 1]
    late = at - time[k]
    share = late / (time[k + 1] - time[k])
    return np.asarray(integral[row, k] + late * (left + 0.5 * share * (right - left)))


def first_crossing(time: Array, values: Array, rate: Array, slope: Array, level: float) -> Array:
    """First time (m,) at which |values| reaches the level; infinity where it never does.

    Parameters
    ----------
    time : (n,) s.
    values, rate, slope : (m, n) a second integral, its first integral and the signal itself,
        straight between samples; inside the step of the crossing the cubic is solved.
    level : positive.
    """
    beyond = np.abs(values) >= level
    reached = beyond.any(axis=-1)
    k = np.maximum(np.argmax(beyond, axis=-1) - 1, 0)
    row = np.arange(len(values))
    step = time[k + 1] - time[k]
    sign = np.sign(values[row, k + 1])
    x0, v0 = sign * values[row, k], sign * rate[row, k]
    a0 = sign * slope[row, k]
    jerk = (sign * slope[row, k + 1] - a0) / step
    low, high = np.zeros(len(values)), step.copy()
    for _ in range(48):
        middle = 0.5 * (low + high)
        x = x0 + middle * (v0 + middle * (0.5 * a0 + middle * jerk / 6.0))
        over = x >= level
        high, low = np.where(over, middle, high), np.where(over, low, middle)
    return np.where(reached, time[k] + 0.5 * (low + high), np.inf)


def moving_means(time: Array, values: Array, window: float) -> tuple[Array, Array]:
    """Means over every window that starts or ends at a sample.

    Parameters
    ----------
    time : (n,) s.
    values : (m, n).
    window : s, shorter than the record.

    Returns
    -------
    Starts (j,) s, increasing, and means (m, j). Straight lines between samples are averaged
    exactly, so that a window need not hold a whole number of steps. Both are empty where the
    record is shorter than the window.
    """
    starts = np.unique(np.concatenate((time, time - window)))
    tolerance = 1e-9 * (time[-1] - time[0])
    starts = starts[(starts >= time[0] - tolerance) & (starts + window <= time[-1] + tolerance)]
    integral = integrate(time, values)
    begin = integral_at(time, values, integral, starts)
    end = integral_at(time, values, integral, starts + window)
    return starts, (end - begin) / window


def from_zero(time: Array, *signals: Array) -> tuple[Array, tuple[Array, ...]]:
    """The part from time zero on, with a sample at exactly 0 where the record spans it."""
    after = time > 0
    if time[0] >= 0 or not after.any():
        return time, signals
    first = int(np.argmax(after))
    share = -time[first - 1] / (time[first] - time[first - 1])
    cut = []
    for values in signals:
        at_zero = (1.0 - share) * values[..., first - 1] + share * values[..., first]
        cut.append(np.concatenate((at_zero[..., None], values[..., first:]), axis=-1))
    return np.concatenate(([0.0], time[first:])), tuple(cut)


def signal_rows(values: Array) -> Array:
    """Signals (..., n) as rows (m, n)."""
    return np.asarray(values, dtype=float).reshape(-1, values.shape[-1])


def largest_magnitude(values: Array, when: Array) -> tuple[Array, Array]:
    """Signed value of largest magnitude (m,) of values (m, j), and its when; NaN where none."""
    if values.shape[-1] == 0:
        nothing = np.full(len(values), np.nan)
        return nothing, nothing
    size = np.where(np.isfinite(values), np.abs(values), -1.0)
    k = np.argmax(size, axis=-1)
    row = np.arange(len(values))
    some = size[row, k] >= 0
    return np.where(some, values[row, k], np.nan), np.where(some, when[row, k], np.nan)
