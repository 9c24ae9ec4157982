"""Errors of marks: each by its own measure, from frame to frame and over many frames.

A mark's error in units of its own sd is the sum of two parts. One changes from frame to frame, a
first-order autoregression (compression, the fit's own noise). Beside motions, which are slow, it
acts like white noise of (1 + c) / (1 - c) times its variance, c its correlation at lag one. The
other is correlated over `NOISE.error_memory` frames (light, blur, perspective, what lies behind the
mark). Its values are unknowns of their own (`correlated_errors`), eliminated mark by mark: else a
long film would claim a precision that its marks don't have.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.options import NOISE

_NEGLIGIBLE = 1e-6
"""Share of a mark's variance below which an error counts as none."""
_LAGS = tuple(round(share * NOISE.error_memory) for share in (0.2, 0.3, 0.4, 0.6, 0.8))
"""Frames; lags at which correlated errors show: beyond the fit's own, within their memory."""
_BISECTIONS = 40
_FREQUENCIES = 200


@dataclass(frozen=True)
class Noise:
    """The errors of one camera's marks, variances over the marks' own."""

    frame_variance: Array  # (marks,) of the part that changes from frame to frame
    correlated_variance: Array  # (marks,) of the correlated part; 0: none
    lag_one: float  # correlation of the first part from frame to frame
    correlated_floor: Array  # (marks,) the least `correlated_variance`

    @property
    def variance_inflation(self) -> float:
        """Variance of a slow mean of the first part over that of white noise."""
        c = min(max(self.lag_one, 0.0), NOISE.most_lag_one)
        return (1 + c) / (1 - c)

    @property
    def total(self) -> Array:
        """Variance (marks,) of a single position."""
        return self.frame_variance + self.correlated_variance


def unit_noise(marks: int) -> Noise:
    """Independent errors of the marks' own sds."""
    return Noise(np.ones(marks), np.zeros(marks), 0.0, np.zeros(marks))


def floor_of_correlated(whitening: Array, measured: NDArray[np.bool_]) -> Array:
    """Variance (marks,) of the correlated error that no mark is free of, over the marks' own.

    `whitening` (frames, marks, 2, 2) is in 1/px; marks count where `measured` (frames, marks).
    """
    information = np.sum(whitening**2, axis=(2, 3)) / 2 * measured
    count = np.maximum(measured.sum(axis=0), 1)
    return np.asarray(NOISE.correlated_floor_px**2 * information.sum(axis=0) / count)


def correlations(residual: Array, on: NDArray[np.bool_], lags: tuple[int, ...]) -> Array:
    """Correlation (lags,) of residuals (frames, marks, 2) at lags in frames, pooled over marks; NaN
    where there are too few pairs.
    """
    out = np.full(len(lags), np.nan)
    r = np.where(on[..., None], residual, 0.0)
    for k, lag in enumerate(lags):
        both = on[lag:] & on[:-lag]
        if both.sum() >= NOISE.fewest:
            a, b = r[lag:][both], r[:-lag][both]
            size = float(np.sum(a * a) * np.sum(b * b))
            out[k] = float(np.sum(a * b)) / np.sqrt(size) if size > 0 else 0.0
    return out


def correlated_share(residual: Array, on: NDArray[np.bool_], absorbed_share: float) -> float:
    """Correlated share of the residuals' variance, by the correlation at long lags; 0 where it
    isn't clear. `absorbed_share` is the share of correlated errors that the fit took for motion.
    """
    found = correlations(residual, on, _LAGS)
    known = np.isfinite(found)
    if not known.any():
        return 0.0
    memory = np.exp(-np.array(_LAGS) / NOISE.error_memory)[known]
    share = float(found[known] @ memory / (memory @ memory))
    sd = np.sqrt(3.0 / max(2 * on.sum(), 1) / (memory @ memory))
    if share <= max(NOISE.clear_sds * sd, NOISE.clear_share):
        return 0.0
    return min(share / max(1 - absorbed_share, NOISE.unabsorbed_share), NOISE.most_share)


def frame_correlation(found: float, absorbed_share: float, band: float) -> float:
    """Correlation c of a first-order autoregression by that of its residuals after a fit.

    Parameters
    ----------
    found : correlation of the residuals at lag one.
    absorbed_share : share of the power that the fit took,
    band : within this share of all frequencies.
    """
    if not found > 0:
        return 0.0
    low, high = 0.0, NOISE.most_lag_one
    for _ in range(_BISECTIONS):
        c = 0.5 * (low + high)
        power, product = absorbed_moments(c, band)
        remaining = (c - absorbed_share * product) / max(1 - absorbed_share * power, 1e-3)
        low, high = (c, high) if remaining < found else (low, c)
    return 0.5 * (low + high)


def absorbed_moments(c: float, band: float) -> tuple[float, float]:
    """Variance and lag-one covariance of a unit first-order autoregression (correlation c) below
    the share `band` of the highest frequency.
    """
    w = (np.arange(_FREQUENCIES) + 0.5) / _FREQUENCIES * np.pi * band
    density = (1 - c * c) / (1 + c * c - 2 * c * np.cos(w)) * band / _FREQUENCIES
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
    """Noise as residuals show it.

    Parameters
    ----------
    residual : (frames, marks, 2) in the marks' own sds, common errors taken out.
    error_states : (frames, marks, 2) the correlated part of them.
    on : (frames, marks) marks that count.
    used_dof : (marks,) degrees of freedom that the fit took.
    free_motion_share : share of the marks' coordinates that a free motion takes in each instant.
    roughness, known : (marks,) sum of squares of the error states in units of
        `old.correlated_variance`, and how many of their values the marks determine.
    """
    count = 2.0 * on.sum(axis=0)
    fast = np.where(on[..., None], residual - error_states, 0.0)
    total = float(count.sum())
    if total < NOISE.fewest or float(np.sum(fast**2)) < _NEGLIGIBLE * total:
        return old
    used_share = float(used_dof.sum()) / total
    band = min(used_share / free_motion_share, 1.0)
    lag_one = _lag_one(fast, on, old, free_motion_share, band)
    power, _ = absorbed_moments(lag_one, band)
    whiteness = max(1 - free_motion_share * power, NOISE.white_share) / max(1 - used_share, 1e-9)
    dof = np.maximum(count - used_dof, NOISE.least_dof_share * count) * whiteness
    squares = np.sum(fast**2, axis=(0, 2))
    pooled = float(squares.sum()) / max(float(dof.sum()), 1.0)
    frame_variance = (squares + NOISE.pooled_dof * pooled) / (dof + NOISE.pooled_dof)
    floor = NOISE.frame_floor if on.sum() > NOISE.frame_floor_marks else 1.0
    correlated = old.correlated_variance
    if correlated.any():
        square = roughness * old.correlated_variance
        usual = float(square.sum()) / max(float(known.sum()), 1e-9)
        correlated = (square + NOISE.pooled_dof * usual) / (known + NOISE.pooled_dof)
        correlated = np.where(correlated > _NEGLIGIBLE * frame_variance, correlated, 0.0)
    return replace(
        old,
        frame_variance=np.maximum(frame_variance, floor),
        correlated_variance=np.maximum(correlated, old.correlated_floor),
        lag_one=lag_one,
    )


def _lag_one(
    fast: Array, on: NDArray[np.bool_], old: Noise, free_motion_share: float, band: float
) -> float:
    """Correlation at lag one of the part that changes from frame to frame; 0 where it isn't
    clear.
    """
    measure = np.sqrt(np.maximum(old.frame_variance, 1e-12))[None, :, None]
    found = float(correlations(fast / measure, on, (1,))[0])
    if not np.isfinite(found):
        return 0.0
    lag_one = frame_correlation(found, free_motion_share, band)
    sd = 1 / np.sqrt(2.0 * float(on.sum()))
    return lag_one if lag_one > max(NOISE.clear_lag, NOISE.clear_lag_sds * sd) else 0.0


def mean_noise(one: Noise, other: Noise) -> Noise:
    """The mean of two estimates of the same marks' noise."""
    return replace(
        one,
        frame_variance=0.5 * (one.frame_variance + other.frame_variance),
        correlated_variance=0.5 * (one.correlated_variance + other.correlated_variance),
        lag_one=0.5 * (one.lag_one + other.lag_one),
    )


def with_correlated_share(noise: Noise, share: float) -> Noise:
    """Noise of which this share of the variance is correlated, to start from."""
    total = noise.total
    return replace(
        noise,
        frame_variance=np.maximum(total * (1 - share), 1e-3),
        correlated_variance=np.maximum(total * share, noise.correlated_floor),
    )
