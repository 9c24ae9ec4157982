"""The force between the vehicles against their closing, from time zero to the greatest closing."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.core.time_series import integrate
from tracker.mechanics.options import MECHANICS
from tracker.mechanics.vehicle_pair import Pair
from tracker.results.balances import ForceCrush


def force_crush(pair: Pair, seed: int = MECHANICS.seed) -> ForceCrush | None:
    """The force-crush curve with its draws; None where the vehicles do not close.

    Each row's force is taken as a function of its own closing, so that an error of the closing
    counts as one of the force. Beyond a row's own greatest closing its last force is held.

    What the film is too coarse to show is in the draws as a ripple. The shortest wave that it
    shows, w, is known from the errors of the draws, which cross zero twice in it; of the ripple of
    a folding cushion w^2 / (w^2 + fold^2) is taken to be unseen (in power), at wavelengths from w/3
    to w. It leaves the energy as it is, since the film shows that well.
    """
    closing = pair.closing
    most = float(closing[0].max())
    if most <= 0:
        return None
    grid = np.linspace(0.0, most, MECHANICS.points)
    rows = np.stack([_against(c, f, grid) for c, f in zip(closing, pair.force, strict=True)])
    rows[1:] += rows[0] * _ripple(rows[1:] - rows[1:].mean(axis=0), grid, seed)
    energy = integrate(grid, rows)
    return ForceCrush(
        grid,
        rows[0],
        rows[1:].std(axis=0, ddof=1),
        energy[0],
        energy[1:].std(axis=0, ddof=1),
        rows[1:],
    )


def shortest_wave(errors: Array, grid: Array) -> float:
    """Wavelength (m) of errors (m, n) on a grid (n,): the span over half the crossings of zero."""
    about = errors - errors.mean(axis=1, keepdims=True)
    crossings = np.abs(np.diff(np.sign(about), axis=1)).sum(axis=1).mean() / 2.0
    return float(2.0 * (grid[-1] - grid[0]) / max(crossings, 1.0))


def _ripple(errors: Array, grid: Array, seed: int) -> Array:
    """Shares (m, n) of the force by which an unseen ripple may change it."""
    spread = errors.std(axis=0, ddof=1)
    if not np.all(spread > 0):
        return np.zeros_like(errors)
    wave = shortest_wave(errors / spread, grid)
    unseen = MECHANICS.ripple * wave / np.hypot(wave, MECHANICS.fold)
    rng = np.random.default_rng(seed)
    shape = (len(errors), MECHANICS.waves, 1)
    length = wave * rng.uniform(1 / 3, 1.0, shape)
    phase = 2 * np.pi * (grid / length + rng.uniform(0, 1, shape))
    size = rng.standard_normal(shape) * np.sqrt(2.0 / MECHANICS.waves)
    return np.asarray(unseen * np.sum(size * np.sin(phase), axis=1))


def _against(closing: Array, force: Array, grid: Array) -> Array:
    """Force at the closings of the grid. The sample of the greatest closing itself is left out,
    since the cushion may be letting go there already.
    """
    last = max(int(np.argmax(closing)), 2)
    growing = np.maximum.accumulate(closing[:last])
    new = np.r_[True, np.diff(growing) > 0]
    return np.asarray(np.interp(grid, growing[new], force[:last][new]))
