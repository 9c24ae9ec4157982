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

    frame_variance: Array  # (marks,) of the part that changes from frame to frame
    correlated_variance: Array  # (marks,) of the part that drifts; 0: none
    lag_one: float  # correlation of the first part from frame to frame
    correlated_floor: Array  # (marks,) what `drift` is at least

    @property
    def variance_inflation(self) -> float:
        """What the correlation makes of the variance of slow errors."""
        c = min(max(self.lag_one, 0.0), MOST)
        return (1 + c) / (1 - c)

    @property
    def total(self) -> Array:
        """Variance (marks,) of a single position."""
        return self.frame_variance + self.correlated_variance


def unit_noise(marks: int) -> Noise:
    """Errors as the marks themselves say."""
    return Noise(np.ones(marks), np.zeros(marks), 0.0, np.zeros(marks))


def floor_of_correlated(whitening: Array, measured: NDArray[np.bool_]) -> Array:
    """Variance (marks,) of the slow error that no mark is free of, over the marks' own: `whiten`
    (frames, marks, 2, 2) 1/px, of those `measured` (frames, marks).
    """
    information = np.sum(whitening**2, axis=(2, 3)) / 2 * measured
    return np.asarray(LEAST_SLOW**2 * information.sum(axis=0) / np.maximum(measured.sum(axis=0), 1))


def correlations(residual: Array, on: NDArray[np.bool_], lags: tuple[int, ...]) -> Array:
    """Correlation (lags,) of residuals (frames, marks, 2) at lags in frames, pooled over marks; NaN
    where too few pairs tell.
    """
    out = np.full(len(lags), np.nan)
    r = np.where(on[..., None], residual, 0.0)
    for k, lag_one in enumerate(lags):
        both = on[lag_one:] & on[:-lag_one]
        if both.sum() >= 40:
            a, b = r[lag_one:][both], r[:-lag_one][both]
            size = float(np.sum(a * a) * np.sum(b * b))
            out[k] = float(np.sum(a * b)) / np.sqrt(size) if size > 0 else 0.0
    return out


def correlated_share(residual: Array, on: NDArray[np.bool_], absorbed_share: float) -> float:
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
    return min(share / max(1 - absorbed_share, 0.3), 0.9) if share > max(CLEAR * sd, 0.02) else 0.0


def frame_correlation(found: float, absorbed_share: float, band: float) -> float:
    """Correlation c of a first-order autoregression whose residuals correlate by `found` after a
    fit that took the share `taken` of its power within the share `band` of all frequencies.
    """
    if not found > 0:
        return 0.0
    low, high = 0.0, MOST
    for _ in range(40):
        c = 0.5 * (low + high)
        power, product = absorbed_moments(c, band)
        remaining = (c - absorbed_share * product) / max(1 - absorbed_share * power, 1e-3)
        low, high = (c, high) if remaining < found else (low, c)
    return 0.5 * (low + high)


def absorbed_moments(c: float, band: float) -> tuple[float, float]:
    """Variance and lag-one covariance of a unit first-order autoregression (correlation c) below
    the share `band` of the highest frequency.
    """
    w = (np.arange(200) + 0.5) / 200 * np.pi * band
    density = (1 - c * c) / (1 + c * c - 2 * c * np.cos(w)) * band / 200
    return float(density.sum()), float((density * np.cos(w)).sum())


def update_noise(
    old: Noise,
    residual: Array,
    error_states: Array,
    on: NDArray[np.bool_],
    used_dof: Array,
    free_motion_share: float,
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
    fast = np.where(on[..., None], residual - error_states, 0.0)
    total = float(count.sum())
    if total < 40 or float(np.sum(fast**2)) < 1e-6 * total:
        return old
    absorbed_share = float(used_dof.sum()) / total
    band = min(absorbed_share / free_motion_share, 1.0)
    measure = np.sqrt(np.maximum(old.frame_variance, 1e-12))[None, :, None]
    found = float(correlations(fast / measure, on, (1,))[0])
    sd = 1 / np.sqrt(total)
    lag_one = frame_correlation(found, free_motion_share, band) if np.isfinite(found) else 0.0
    lag_one = lag_one if lag_one > max(0.05, 2 * sd) else 0.0
    power, _ = absorbed_moments(lag_one, band)
    white_share = max(1 - free_motion_share * power, 0.2) / max(
        1 - absorbed_share, 1e-9
    )  # beside white noise
    remaining = np.maximum(count - used_dof, 0.05 * count) * white_share
    squares = np.sum(fast**2, axis=(0, 2))
    pooled = float(squares.sum()) / max(float(remaining.sum()), 1.0)
    frame_variance = (squares + POOLED * pooled) / (remaining + POOLED)
    correlated_floor = 0.25 if on.sum() > 200 else 1.0
    correlated_variance = old.correlated_variance
    if correlated_variance.any():
        square = roughness * old.correlated_variance
        usual = float(square.sum()) / max(float(known.sum()), 1e-9)
        correlated_variance = (square + POOLED * usual) / (known + POOLED)
        correlated_variance = np.where(
            correlated_variance > NEGLIGIBLE * frame_variance, correlated_variance, 0.0
        )
    return replace(
        old,
        frame_variance=np.maximum(frame_variance, correlated_floor),
        correlated_variance=np.maximum(correlated_variance, old.correlated_floor),
        lag_one=lag_one,
    )


def mean_noise(one: Noise, other: Noise) -> Noise:
    """The mean of two sizes of the same marks' errors."""
    return replace(
        one,
        frame_variance=0.5 * (one.frame_variance + other.frame_variance),
        correlated_variance=0.5 * (one.correlated_variance + other.correlated_variance),
        lag_one=0.5 * (one.lag_one + other.lag_one),
    )


def with_correlated_share(noise: Noise, share: float) -> Noise:
    """Noise of which this share of the variance is put into slow errors to start from."""
    total = noise.total
    correlated_variance = np.maximum(total * share, noise.correlated_floor)
    return replace(
        noise,
        frame_variance=np.maximum(total * (1 - share), 1e-3),
        correlated_variance=correlated_variance,
    )
