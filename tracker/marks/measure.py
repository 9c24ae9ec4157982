"""Measure known marks in one picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.marks import prior
from tracker.marks.covered import fit_covered
from tracker.marks.fitting import Fitted, determinant, fit
from tracker.marks.pack import Rows, pack, unpack
from tracker.marks.shape import Fixes, Shape

ROUNDING = 0.29
"""Standard deviation of rounding to whole greys: 1/sqrt(12)."""
CLEAN = 1.3
"""Residual over noise up to which the whole shape may be believed."""
LIFELESS = 0.25
"""Residual over noise below which what is left of a mark shows no noise: it is clipped."""
DIRTY = 2.0
"""Weighted residual over noise from which even the visible part is not this mark."""


def measure(
    luma: NDArray[Any],
    shapes: Sequence[Shape],
    predicted: Array,
    motion: Array | None = None,
    *,
    white: float,
    noise: float | None = None,
    search_px: float = 3.0,
) -> Fixes:
    """Positions of marks of known looks near their predicted places.

    Parameters
    ----------
    luma : (rows, columns) uint8 or uint16, read only; any strides.
    shapes : what each mark looked like when last measured clean.
    predicted : (n, 2) px, right to a pixel or two.
    motion : (n, 2) px that each mark moves during the exposure; None for none.
    white : grey at which the picture clips.
    noise : standard deviation of a pixel's grey; None takes each shape's own.
    search_px : how far from its prediction a mark is still believed.

    A clean mark has its whole shape fitted again, so that turning, tilting, changing blur and light
    are followed (`Fix.shape` is the start for the next picture). Where the fit is not clean, the
    shape is held and what doesn't belong to the mark is weighted out.
    """
    n = len(shapes)
    rows = pack(shapes, np.asarray(predicted, float).reshape(n, 2), motion)
    own = np.array([s.noise for s in shapes]) if noise is None else np.full(n, float(noise))
    sigma = np.maximum(own, ROUNDING)
    light = np.array([s.gradient_u for s in shapes])
    clean = _clean(luma, rows, light, sigma, white, search_px)
    faults = _faults(rows.p, clean, sigma, CLEAN, 0.85, search_px)
    best, known = clean, clean.rows.p.copy()
    dirty = np.array([i for i in range(n) if faults[i]], np.int64)
    if len(dirty):
        part = rows.take(dirty, rows.p[dirty])
        seen = np.array([i for i in range(n) if not faults[i]], np.int64)
        gains = clean.rows.p[seen, 8] / rows.p[seen, 8]
        held = fit_covered(luma, part, sigma[dirty], light[dirty], gains, white)
        worse = _faults(part.p, held, sigma[dirty], DIRTY, 0.3, search_px)
        for i, fault in zip(dirty, worse, strict=True):
            faults[i] = fault
        known[dirty] = rows.p[dirty]
        known[dirty, 7:9] = held.rows.p[:, 7:9]
        best = clean.replaced(dirty, held)
    shapes_now = tuple(
        s if faults[i] else unpack(s, known[i], s.noise, float(best.out[i, 8]))
        for i, s in enumerate(shapes)
    )
    out = best.out
    return Fixes(
        best.rows.p[:, :2].copy(),
        out[:, [0, 1, 1, 2]].reshape(n, 2, 2),
        best.residual / sigma,
        best.rows.p[:, 8].copy(),
        best.visible,
        np.array([not f for f in faults], bool),
        tuple(faults),
        shapes_now,
    )


def _clean(
    luma: NDArray[Any], rows: Rows, light: Array, sigma: Array, white: float, search_px: float
) -> Fitted:
    """Whole shape free. Fitted again where the window was off, and where the lighting jumped."""
    n = len(sigma)
    plain = np.zeros(n)
    precision = prior.loose(rows, gradient_u=light)
    done = fit(luma, rows, precision, sigma, plain, white, 12)
    moved = np.hypot(*(done.rows.p[:, :2] - rows.p[:, :2]).T)
    jump = np.abs(done.rows.p[:, 9:11] - rows.p[:, 9:11]).max(axis=1) * np.sqrt(precision[:, 9])
    off = (moved > 0.7) & (moved < search_px)
    again = np.flatnonzero((done.out[:, 5] > 0) & (off | (jump > 3.0)))
    if len(again) == 0:
        return done
    unlit = np.where(jump > 3.0, np.inf, light)
    precision = prior.loose(rows, gradient_u=unlit)[again]
    part = done.rows.take(again, done.rows.p[again])
    more = fit(luma, part, precision, sigma[again], plain[again], white, 12, rows.p[again])
    return done.replaced(again, more)


def _faults(
    before: Array,
    done: Fitted,
    sigma: Array,
    ratio_limit: float,
    visible_limit: float,
    search_px: float,
) -> list[str]:
    """What speaks against each fit, empty where nothing does."""
    after, out, visible, ratio = done.rows.p, done.out, done.visible, done.residual / sigma
    moved = np.hypot(*(after[:, :2] - before[:, :2]).T)
    gain = after[:, 8] / before[:, 8]
    growth = np.sqrt(np.abs(determinant(before) / determinant(after)))
    tests = (
        (visible <= 0.2, "it lies outside the picture or is covered"),
        (out[:, 5] <= 0, "the fit does not settle"),
        ((ratio < LIFELESS) & (visible < 0.5), "it is burnt out"),
        (moved > search_px, "it is not where it was expected"),
        (gain <= 0, "light and dark are exchanged"),
        ((gain < 0.33) | (gain > 3.0), "its contrast is not the mark's"),
        (np.abs(after[:, 8]) < 6.0 * out[:, 7], "it does not stand out from the noise"),
        ((growth < 0.7) | (growth > 1.4), "its size is not the mark's"),
        (visible < visible_limit, "too little of it is visible"),
        (ratio > ratio_limit, "it does not look like the mark"),
        (~(out[:, 0] + out[:, 2] < 1.0), "its place is not determined"),
    )
    return [next((text for bad, text in tests if bad[i]), "") for i in range(len(before))]
