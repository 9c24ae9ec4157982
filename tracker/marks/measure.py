"""Measure known marks in one picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.marks import prior
from tracker.marks.fit import OUTPUTS, fit_many
from tracker.marks.model import LEARNT, NONE, PARAMETERS, PATCH, QUADRANT
from tracker.marks.pack import HOLD, Rows, pack, unpack
from tracker.marks.shape import Fixes, Shape
from tracker.marks.window import cut

ROUNDING = 0.29
"""Standard deviation of rounding to whole greys: 1/sqrt(12)."""
CLEAN = 1.3
"""Residual over noise up to which the whole shape may be believed."""
DIRTY = 2.5
"""Weighted residual over noise from which even the visible part is not this mark."""


@dataclass(frozen=True)
class Fitted:
    """What the compiled fit made of `Rows`."""

    rows: Rows
    out: Array  # (n, OUTPUTS)
    inside: Array  # (n,) pixels used
    outside: Array  # (n,) pixels of the window that lie outside the picture

    @property
    def residual(self) -> Array:
        """Root mean square residual (weighted), grey."""
        return np.sqrt(self.out[:, 3])

    @property
    def visible(self) -> Array:
        """Mean weight over the whole window."""
        return np.asarray(self.out[:, 4] / np.maximum(self.inside + self.outside, 1.0))


def margins(rows: Rows) -> Array:
    """Pixels of ground to take in beyond each outline."""
    bare = ((rows.kinds == QUADRANT) & (rows.q[:, 5] == NONE)) | (rows.kinds == PATCH)
    return np.where(bare, 0.0, 3.0 * rows.p[:, 6] + 1.0)


def fit(
    luma: NDArray[Any],
    rows: Rows,
    precision: Array,
    sigma: Array,
    scale: Array,
    white: float,
    passes: int,
    window: Array | None = None,
) -> Fitted:
    """Fit every row once, over the pixels round its start (or round the rows `window`)."""
    p = rows.p.copy()
    at = np.zeros(len(p) + 1, np.int64)
    place = rows.p if window is None else window
    sides = 2.0 * (1.0 / np.sqrt(np.abs(_determinant(place))) * 3.0 + 12.0)
    room = int(np.sum(np.minimum(sides, 4000.0) ** 2)) + int(
        np.sum(np.hypot(*rows.q[:, 2:4].T) * 64)
    )
    pixels = np.empty((room, 3))
    outside = cut(luma, place, rows.q, margins(rows), pixels, at)
    out = np.zeros((len(p), OUTPUTS))
    free = PARAMETERS if (precision[:, LEARNT:] < HOLD).any() else LEARNT
    fit_many(
        rows.kinds, p, rows.q, rows.templates, rows.template_at, pixels, at,
        white, sigma, scale, precision, free, passes, out,
    )  # fmt: skip
    done = Rows(rows.kinds, p, rows.q, rows.templates, rows.template_at)
    return Fitted(done, out, np.diff(at).astype(float), outside)


def _determinant(p: Array) -> Array:
    return np.asarray(p[:, 2] * p[:, 5] - p[:, 3] * p[:, 4])


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
    first = fit(luma, rows, prior.loose(rows), sigma, np.zeros(n), white, 12)
    moved = np.hypot(*(first.rows.p[:, :2] - rows.p[:, :2]).T)
    good = first.out[:, 5] > 0
    again = np.flatnonzero(good & (moved > 0.7) & (moved < search_px))
    final, out = first.rows.p.copy(), first.out.copy()
    visible = first.visible
    if len(again):
        part = first.rows.take(again, first.rows.p[again])
        more = fit(luma, part, prior.loose(part), sigma[again], np.zeros(len(again)), white, 12)
        final[again], out[again], visible[again] = more.rows.p, more.out, more.visible
    ratio = np.sqrt(out[:, 3]) / sigma
    faults = _faults(rows.p, final, out, ratio, visible, CLEAN, 0.85, search_px)
    shape_p = final.copy()
    dirty = np.array([i for i in range(n) if faults[i]], np.int64)
    if len(dirty):
        held = _held(luma, rows, dirty, sigma[dirty], white)
        ratio[dirty] = held.residual / sigma[dirty]
        visible[dirty], out[dirty], final[dirty] = held.visible, held.out, held.rows.p
        worse = _faults(
            rows.p[dirty], held.rows.p, held.out, ratio[dirty], held.visible, DIRTY, 0.4, search_px
        )
        for k, i in enumerate(dirty):
            faults[i] = worse[k]
            shape_p[i] = rows.p[i]
            shape_p[i, 7:9] = final[i, 7:9]
    covariance = np.empty((n, 2, 2))
    covariance[:, 0, 0], covariance[:, 1, 1] = out[:, 0], out[:, 2]
    covariance[:, 0, 1] = covariance[:, 1, 0] = out[:, 1]
    kept = tuple(
        unpack(s, shape_p[i], s.noise) if not faults[i] else s for i, s in enumerate(shapes)
    )
    ok = np.array([not f for f in faults], bool)
    return Fixes(
        final[:, :2].copy(), covariance, ratio, final[:, 8].copy(), visible, ok, tuple(faults), kept
    )


def _held(
    luma: NDArray[Any], rows: Rows, which: NDArray[np.int64], sigma: Array, white: float
) -> Fitted:
    """Shape held, robust weights that tighten step by step."""
    part = rows.take(which, rows.p[which])
    tight = prior.held(part)
    start = part
    n = len(which)
    for scale in (12.0, 5.0):
        done = fit(luma, start, tight, sigma, np.full(n, scale), white, 8)
        moved = part.p.copy()
        moved[:, :2] = done.rows.p[:, :2]
        moved[:, 7:9] = done.rows.p[:, 7:9]
        start = Rows(part.kinds, moved, part.q, part.templates, part.template_at)
    return fit(luma, start, tight, sigma, np.full(n, 2.385), white, 20)


def _faults(
    before: Array,
    after: Array,
    out: Array,
    ratio: Array,
    visible: Array,
    ratio_limit: float,
    visible_limit: float,
    search_px: float,
) -> list[str]:
    """What speaks against each fit, empty where nothing does."""
    moved = np.hypot(*(after[:, :2] - before[:, :2]).T)
    gain = after[:, 8] / before[:, 8]
    growth = np.sqrt(np.abs(_determinant(before) / _determinant(after)))
    tests = (
        (visible <= 0.2, "it lies outside the picture or is covered"),
        (out[:, 5] <= 0, "the fit does not settle"),
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
