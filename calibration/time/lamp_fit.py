"""The posterior of the moment a lamp began to shine, from the frames about it.

A lamp that is switched on shines with the power

    P(s) = A (1 - exp(-s / rise)) exp(-s / decay),    s = time since it was switched on,

and a frame gathers the light of its exposure. Amplitude and the scene's own level and drift are
linear: they are integrated out in closed form, the amplitude under a scale-invariant prior. Onset,
rise and decay run over a grid; the rise is beforehand anything from a light-emitting diode's to a
bulb's. Where a rise too short to be seen explains the frames, the onset is that of a
lamp at once on, and what a hidden rise may add stands beside it. Sources: first-order lag, any
textbook of control; marginal likelihood of a linear Gaussian model, Rasmussen and Williams,
Gaussian Processes for Machine Learning (2006), eq. 2.30 and 2.42.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.time.options import FLASH


@dataclass(frozen=True)
class LitFrames:
    """What the fit goes by. Times in frames, mid-exposure of frame k at k."""

    number: Array  # (n,) frame numbers
    grey: Array  # (n,)
    sd: Array  # (n,) grey, of each frame's error
    common: Array  # (n, c) what else the grey may hold: level, drift, flicker
    duty: float  # exposure over frame interval


@dataclass(frozen=True)
class LampOnset:
    """When a lamp began to shine, frames, with its u.

    A rise too short to be seen adds `hidden` to it, with `hidden_u` (frames). `rise` is the time
    constant, frames; 0 where the lamp was at once on as far as can be seen.
    """

    frame: float
    u: float
    rise: float
    hidden: float
    hidden_u: float
    misfit: float  # residual variance over that of the noise


@dataclass(frozen=True)
class _Pairs:
    """Log evidence (n,) and moments (n,) of the onset, given a rise and a decay rate each (n,)."""

    rise: Array
    decay: Array
    evidence: Array
    mean: Array
    variance: Array
    misfit: float  # of the best of all

    def subset(self, mask: NDArray[np.bool_]) -> _Pairs:
        """Those of them in a mask (n,)."""
        return _Pairs(
            self.rise[mask],
            self.decay[mask],
            self.evidence[mask],
            self.mean[mask],
            self.variance[mask],
            self.misfit,
        )


def lamp_onset(lit: Sequence[LitFrames], earliest: float, latest: float, rate: float) -> LampOnset:
    """The onset's posterior, beforehand equally likely from `earliest` to `latest` (frames).

    `lit` are the same frames with errors that may be as large, equally likely beforehand. `rate`
    (frames/s) scales the lamps that are thought of.
    """
    each = [_one_onset(frames, earliest, latest, rate) for frames in lit]
    likely = max(each, key=lambda one: one.any.evidence)
    mean, u, rise = _average([one.any for one in each])
    clear = likely.any.evidence - max(one.instant.evidence for one in each)
    if clear > FLASH.instant_log_evidence:
        return LampOnset(mean, u, rise, 0.0, 0.0, likely.misfit)
    at_once, at_once_u, _ = _average([one.instant for one in each])
    hidden_u = math.sqrt(max(u**2 - at_once_u**2, 0.0))
    return LampOnset(at_once, at_once_u, 0.0, mean - at_once, hidden_u, likely.misfit)


@dataclass(frozen=True)
class _Found:
    """Mean and u of an onset, mean rise, frames, and the log evidence of the likeliest lamp."""

    mean: float
    u: float
    rise: float
    evidence: float


@dataclass(frozen=True)
class _Onsets:
    """The onset of a lamp of any rise, and of one at once on."""

    any: _Found
    instant: _Found
    misfit: float


def _average(each: Sequence[_Found]) -> tuple[float, float, float]:
    """Mean and u of the onset, and mean rise, of several by their evidence."""
    weight = np.exp(np.array([f.evidence for f in each]) - max(f.evidence for f in each))
    weight /= weight.sum()
    means = np.array([f.mean for f in each])
    mean = float(weight @ means)
    variance = float(weight @ (np.array([f.u for f in each]) ** 2 + (means - mean) ** 2))
    return mean, math.sqrt(variance), float(weight @ [f.rise for f in each])


def _one_onset(lit: LitFrames, earliest: float, latest: float, rate: float) -> _Onsets:
    least, most = FLASH.rise_least * rate, max(FLASH.rise_most * rate, 2 * FLASH.rise_seen)
    rises = np.geomspace(max(least, FLASH.rise_seen), most, FLASH.rises_first)
    rises = np.unique(np.concatenate([[least], rises]))
    decays = 1.0 / np.geomspace(FLASH.decay_least, FLASH.decay_most, FLASH.decays_first)
    decays = np.concatenate([[0.0], decays])
    coarse = _pairs(lit, rises, decays, earliest, latest)
    close = _closer(lit, coarse, earliest, latest)
    misfit = close.misfit
    if misfit > FLASH.misfit:
        lit = replace(lit, sd=lit.sd * math.sqrt(misfit))
        coarse = _pairs(lit, rises, decays, earliest, latest)
        close = _closer(lit, coarse, earliest, latest)
    instant = _closer(lit, coarse.subset(coarse.rise == rises[0]), earliest, latest)
    density = -float(np.log(lit.sd).sum())
    return _Onsets(
        _Found(*_moments(close, decays), density + float(close.evidence.max())),
        _Found(*_moments(instant, decays), density + float(instant.evidence.max())),
        misfit,
    )


def light(number: Array, onset: Array, rise: Array, decay: Array, duty: float) -> Array:
    """Mean power (m, n) over the exposures of frames (n,), of lamps of full power 1 that are
    switched on at `onset` (m,), with their rise times and decay rates (m,), in frames.
    """
    late = np.maximum(number + 0.5 * duty - onset[:, None], 0.0)
    early = np.maximum(number - 0.5 * duty - onset[:, None], 0.0)
    slow = np.maximum(decay, 1e-7)[:, None]
    fast = slow + 1.0 / rise[:, None]
    gathered = (np.exp(-slow * early) - np.exp(-slow * late)) / slow
    gathered -= (np.exp(-fast * early) - np.exp(-fast * late)) / fast
    return np.asarray(gathered / duty)


def _pairs(lit: LitFrames, rises: Array, decays: Array, earliest: float, latest: float) -> _Pairs:
    rise, decay = (g.ravel() for g in np.meshgrid(rises, decays, indexing="ij"))
    base = np.linalg.qr(lit.common / lit.sd[:, None])[0]
    seen = lit.grey / lit.sd
    seen = seen - base @ (base.T @ seen)
    low, high = np.full(len(rise), earliest), np.full(len(rise), latest)
    share = np.linspace(0.0, 1.0, FLASH.onsets)
    for stage in range(FLASH.stages):
        onset = low[:, None] + (high - low)[:, None] * share
        log, rest = _log_likelihood(lit, base, seen, onset, rise, decay)
        if stage == FLASH.stages - 1:
            break
        likely = log > log.max(axis=1, keepdims=True) - FLASH.likely_log_probability
        first, last = likely.argmax(axis=1), log.shape[1] - 1 - likely[:, ::-1].argmax(axis=1)
        rows = np.arange(len(rise))
        low, high = (
            onset[rows, np.maximum(first - 1, 0)],
            onset[rows, np.minimum(last + 1, len(share) - 1)],
        )
    best = log.max(axis=1)
    weight = np.exp(log - best[:, None])
    total = weight.sum(axis=1)
    mean = (weight * onset).sum(axis=1) / total
    step = (high - low) / (len(share) - 1)
    variance = (weight * (onset - mean[:, None]) ** 2).sum(axis=1) / total + step**2 / 12
    evidence = best + np.log(total * step)
    degrees = max(len(lit.number) - lit.common.shape[1] - 4, 1)
    return _Pairs(rise, decay, evidence, mean, variance, float(rest.min()) / degrees)


def _log_likelihood(
    lit: LitFrames, base: Array, seen: Array, onset: Array, rise: Array, decay: Array
) -> tuple[Array, Array]:
    """Log marginal likelihood (pairs, onsets), up to a constant, and the squares that are left."""
    count = onset.shape[1]
    can = lit.number + 0.5 * lit.duty > onset.min()
    shown = light(lit.number[can], onset.ravel(), np.repeat(rise, count),
                  np.repeat(decay, count), lit.duty) / lit.sd[can]  # fmt: skip
    common = shown @ base[can]
    square = np.einsum("mn,mn->m", shown, shown) - np.einsum("mn,mn->m", common, common)
    square = np.maximum(square, 1e-300)
    along = shown @ seen[can]
    rest = float(seen @ seen) - along**2 / square
    amplitude = np.maximum(along / square, 1e-300)
    log = -0.5 * rest - 0.5 * np.log(square) - np.log(amplitude)
    log = np.where(along > 0, log, -np.inf)
    floor = -0.5 * float(seen @ seen) - 1e6
    return np.maximum(log, floor).reshape(onset.shape), rest.reshape(onset.shape)


def _closer(lit: LitFrames, pairs: _Pairs, earliest: float, latest: float) -> _Pairs:
    """The same on grids of rises and decays that are fine beside their likely spread."""
    for _ in range(FLASH.closer):
        rises, rough = _likely_grid(pairs, pairs.rise, FLASH.rises)
        decaying = pairs.decay > 0
        best = pairs.evidence.max() - FLASH.likely_log_probability
        decays, also_rough = np.zeros(0), False
        if decaying.any() and pairs.evidence[decaying].max() > best:
            part = pairs.subset(decaying)
            decays, also_rough = _likely_grid(part, part.decay, FLASH.decays)
        decays = np.concatenate([[0.0], decays])
        if not rough and not also_rough:
            break
        rises = np.unique(np.concatenate([[pairs.rise.min()], rises]))
        pairs = _pairs(lit, rises, decays, earliest, latest)
    return pairs


def _likely_grid(pairs: _Pairs, of: Array, count: int) -> tuple[Array, bool]:
    """A logarithmic grid over the likely values of a parameter (n,) and their neighbours, and
    whether the present one is too coarse.
    """
    grid = np.unique(of)
    if len(grid) == 1:
        return grid, False
    best = np.array([pairs.evidence[of == g].max() for g in grid])
    likely = np.flatnonzero(best > best.max() - FLASH.likely_log_probability)
    low, high = max(likely[0] - 1, 0), min(likely[-1] + 1, len(grid) - 1)
    return np.geomspace(grid[low], grid[high], count), len(likely) < count // 2


def _moments(pairs: _Pairs, decays: Array) -> tuple[float, float, float]:
    """Mean and u of the onset, and the mean rise, over rises and decays under their priors."""
    whole = abs(math.log(decays[1] / decays[-1]))
    prior = np.log(_cells(pairs.rise)) + FLASH.rise_power * np.log(pairs.rise)
    decaying = pairs.decay > 0
    cell = _cells(np.where(decaying, pairs.decay, np.nan)) / whole * (1 - FLASH.steady)
    prior += np.log(np.where(decaying, cell, FLASH.steady))
    log = pairs.evidence + prior
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = float(weight @ pairs.mean)
    variance = float(weight @ (pairs.variance + (pairs.mean - mean) ** 2))
    return mean, math.sqrt(variance), float(weight @ pairs.rise)


def _cells(values: Array) -> Array:
    """The logarithmic width (n,) that each value stands for; 1 where there is but one."""
    grid = np.unique(values[np.isfinite(values)])
    if len(grid) < 2:
        return np.ones(len(values))
    logs = np.log(grid)
    width = np.gradient(logs)
    width[[0, -1]] /= 2
    at = np.searchsorted(grid, np.nan_to_num(values, nan=grid[0]))
    return np.asarray(width[np.minimum(at, len(grid) - 1)])
