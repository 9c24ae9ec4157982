"""How marks err: each by its own measure, from frame to frame and slowly.

A mark's error in units of its own sd is the sum of two parts. One changes from frame to frame, a
first-order autoregression (compression, the fit's own noise); beside motions, which are slow, it
acts like white noise of (1 + c) / (1 - c) times its variance. The other drifts with a memory of
`REACH` frames (light, blur, perspective, what lies behind the mark): it is an unknown of its own
(`chain`), eliminated mark by mark, so that a long film doesn't feign a knowledge that its marks
don't hold.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model.correlated_errors import REACH

NEGLIGIBLE = 1e-6
"""Share of a mark's variance below which it doesn't drift."""
LEAST_SLOW = 0.015
"""Px, sd of the slow error that no mark on a real surface is free of (texture round it, coding,
the camera's blur): on rendered films marks err so by 0.01 px, neighbours in part by the same.
Residuals hardly show it, since motions and marker places follow it.
"""
POOLED = 10.0
"""Degrees of freedom for which all marks of a camera speak for each of them."""
CLEAR = 3.0
"""A slow error is looked for where the correlation at long lags exceeds zero by so many sds."""
LAGS = (8, 12, 16, 24, 32)
MOST = 0.95


@dataclass(frozen=True)
class Noise:
    """The errors of one eye's marks, variances over the marks' own."""

    factor: Array  # (marks,) of the part that changes from frame to frame
    drift: Array  # (marks,) of the part that drifts; 0: none
    lag: float  # correlation of the first part from frame to frame
    least: Array  # (marks,) what `drift` is at least

    @property
    def drag(self) -> float:
        """What the correlation makes of the variance of slow errors."""
        c = min(max(self.lag, 0.0), MOST)
        return (1 + c) / (1 - c)

    @property
    def total(self) -> Array:
        """Variance (marks,) of a single position."""
        return self.factor + self.drift


def plain(marks: int) -> Noise:
    """Errors as the marks themselves say."""
    return Noise(np.ones(marks), np.zeros(marks), 0.0, np.zeros(marks))


def least_drift(whiten: Array, measured: NDArray[np.bool_]) -> Array:
    """Variance (marks,) of the slow error that no mark is free of, over the marks' own: `whiten`
    (frames, marks, 2, 2) 1/px, of those `measured` (frames, marks).
    """
    told = np.sum(whiten**2, axis=(2, 3)) / 2 * measured
    return np.asarray(LEAST_SLOW**2 * told.sum(axis=0) / np.maximum(measured.sum(axis=0), 1))


def correlations(residual: Array, on: NDArray[np.bool_], lags: tuple[int, ...]) -> Array:
    """Correlation (lags,) of residuals (frames, marks, 2) at lags in frames, pooled over marks; NaN
    where too few pairs tell.
    """
    out = np.full(len(lags), np.nan)
    r = np.where(on[..., None], residual, 0.0)
    for k, lag in enumerate(lags):
        both = on[lag:] & on[:-lag]
        if both.sum() >= 40:
            a, b = r[lag:][both], r[:-lag][both]
            size = float(np.sum(a * a) * np.sum(b * b))
            out[k] = float(np.sum(a * b)) / np.sqrt(size) if size > 0 else 0.0
    return out


def slow_share(residual: Array, on: NDArray[np.bool_], taken: float) -> float:
    """Share of the residuals' variance that drifts, by the correlation at long lags; 0 where it
    isn't clear. `taken` is the share of slow errors that the fit has taken for motion.
    """
    found = correlations(residual, on, LAGS)
    known = np.isfinite(found)
    if not known.any():
        return 0.0
    memory = np.exp(-np.array(LAGS) / REACH)[known]
    share = float(found[known] @ memory / (memory @ memory))
    sd = np.sqrt(3.0 / max(2 * on.sum(), 1) / (memory @ memory))
    return min(share / max(1 - taken, 0.3), 0.9) if share > max(CLEAR * sd, 0.02) else 0.0


def fast_lag(found: float, taken: float, band: float) -> float:
    """Correlation c of a first-order autoregression whose residuals correlate by `found` after a
    fit that took the share `taken` of its power within the share `band` of all frequencies.
    """
    if not found > 0:
        return 0.0
    low, high = 0.0, MOST
    for _ in range(40):
        c = 0.5 * (low + high)
        power, product = absorbed(c, band)
        left = (c - taken * product) / max(1 - taken * power, 1e-3)
        low, high = (c, high) if left < found else (low, c)
    return 0.5 * (low + high)


def absorbed(c: float, band: float) -> tuple[float, float]:
    """Variance and lag-one covariance of a unit first-order autoregression (correlation c) below
    the share `band` of the highest frequency.
    """
    w = (np.arange(200) + 0.5) / 200 * np.pi * band
    density = (1 - c * c) / (1 + c * c - 2 * c * np.cos(w)) * band / 200
    return float(density.sum()), float((density * np.cos(w)).sum())


def sized(
    old: Noise,
    residual: Array,
    slow: Array,
    on: NDArray[np.bool_],
    spent: Array,
    freedom: float,
    roughness: Array,
    known: Array,
) -> Noise:
    """Errors as residuals show them.

    Parameters
    ----------
    residual : (frames, marks, 2) in the marks' own sds, common errors taken out.
    slow : (frames, marks, 2) the part of them that drifts.
    on : (frames, marks) marks that count.
    spent : (marks,) degrees of freedom that the fit took.
    freedom : share of the marks' coordinates that a free motion takes in each instant.
    roughness, known : (marks,) sum of squares of the slow errors in units of `old.drift`, and how
        many of their values the marks determine.
    """
    count = 2.0 * on.sum(axis=0)
    fast = np.where(on[..., None], residual - slow, 0.0)
    total = float(count.sum())
    if total < 40 or float(np.sum(fast**2)) < 1e-6 * total:
        return old
    taken = float(spent.sum()) / total
    band = min(taken / freedom, 1.0)
    measure = np.sqrt(np.maximum(old.factor, 1e-12))[None, :, None]
    found = float(correlations(fast / measure, on, (1,))[0])
    sd = 1 / np.sqrt(total)
    lag = fast_lag(found, freedom, band) if np.isfinite(found) else 0.0
    lag = lag if lag > max(0.05, 2 * sd) else 0.0
    power, _ = absorbed(lag, band)
    kept = max(1 - freedom * power, 0.2) / max(1 - taken, 1e-9)  # beside white noise
    left = np.maximum(count - spent, 0.05 * count) * kept
    squares = np.sum(fast**2, axis=(0, 2))
    pooled = float(squares.sum()) / max(float(left.sum()), 1.0)
    factor = (squares + POOLED * pooled) / (left + POOLED)
    least = 0.25 if on.sum() > 200 else 1.0
    drift = old.drift
    if drift.any():
        square = roughness * old.drift
        usual = float(square.sum()) / max(float(known.sum()), 1e-9)
        drift = (square + POOLED * usual) / (known + POOLED)
        drift = np.where(drift > NEGLIGIBLE * factor, drift, 0.0)
    return replace(
        old, factor=np.maximum(factor, least), drift=np.maximum(drift, old.least), lag=lag
    )


def between(one: Noise, other: Noise) -> Noise:
    """The mean of two sizes of the same marks' errors."""
    return replace(
        one,
        factor=0.5 * (one.factor + other.factor),
        drift=0.5 * (one.drift + other.drift),
        lag=0.5 * (one.lag + other.lag),
    )


def with_drift(noise: Noise, share: float) -> Noise:
    """Noise of which this share of the variance is put into slow errors to start from."""
    total = noise.total
    drift = np.maximum(total * share, noise.least)
    return replace(noise, factor=np.maximum(total * (1 - share), 1e-3), drift=drift)
