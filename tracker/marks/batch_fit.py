"""Fits of many marks at once: windows, pixel lists, and what came of them."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks.image_model import LEARNT, PARAMETERS
from tracker.marks.levenberg_marquardt import OUTPUTS, fit_many
from tracker.marks.packing import HOLD, Rows
from tracker.marks.pixel_window import cut, room

FEW = 6
"""Marks below which it takes longer to share the work than to do it."""


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

    def replaced(self, index: NDArray[np.int64], other: Fitted) -> Fitted:
        """The same with `other` in place of the marks at `index`."""
        p, out = self.rows.p.copy(), self.out.copy()
        inside, outside = self.inside.copy(), self.outside.copy()
        p[index], out[index] = other.rows.p, other.out
        inside[index], outside[index] = other.inside, other.outside
        return Fitted(self.rows.with_parameters(p), out, inside, outside)


def fit(
    luma: NDArray[Any],
    rows: Rows,
    precision: Array,
    sigma: Array,
    scale: Array,
    white: float,
    passes: int,
    centre: Array | None = None,
    helper: Executor | None = None,
) -> Fitted:
    """Fit every row over the pixels round its start; the prior is `centre`, else the start.

    A `helper`, a thread that is free, does half of the work.
    """
    pixels, at, outside = listed(luma, rows)
    return fit_lists(
        rows, pixels, at, outside, precision, sigma, scale, white, passes, centre, helper
    )


def listed(luma: NDArray[Any], rows: Rows) -> tuple[Array, NDArray[np.int64], Array]:
    """The pixels round every row as `fit_lists` takes them; how many lie outside the picture."""
    at = np.zeros(len(rows.p) + 1, np.int64)
    pixels = np.empty((3, room(rows.p, rows.q)))
    outside = cut(luma, rows.kinds, rows.p, rows.q, pixels, at)
    return pixels[:, : at[-1]], at, outside


def fit_lists(
    rows: Rows,
    pixels: Array,
    at: NDArray[np.int64],
    outside: Array,
    precision: Array,
    sigma: Array,
    scale: Array,
    white: float,
    passes: int,
    centre: Array | None = None,
    helper: Executor | None = None,
) -> Fitted:
    """Fit every row over the pixels listed for it: pixels[:, at[i]:at[i + 1]] (x, y, grey)."""
    p = rows.p.copy()
    out = np.zeros((len(p), OUTPUTS))
    free = PARAMETERS if (precision[:, LEARNT:] < HOLD).any() else LEARNT
    start = rows.p if centre is None else centre

    def some(a: int, b: int) -> None:
        fit_many(
            rows.kinds[a:b], p[a:b], rows.q[a:b], rows.templates, rows.template_at[a:b],
            pixels, at[a : b + 1], white, sigma[a:b], scale[a:b], start[a:b], precision[a:b],
            free, passes, out[a:b],
        )  # fmt: skip

    if helper is None or len(p) < FEW:
        some(0, len(p))
    else:
        half = len(p) // 2
        rest = helper.submit(some, half, len(p))
        some(0, half)
        rest.result()
    return Fitted(rows.with_parameters(p), out, (at[1:] - at[:-1]).astype(float), outside)
