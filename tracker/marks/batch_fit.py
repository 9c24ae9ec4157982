"""Fits of many marks at once: windows, pixel lists, and what came of them."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks.fit_inputs import FitControl, FitNoise, FitPrior, PixelLists
from tracker.marks.levenberg_marquardt import fit_many
from tracker.marks.packing import HOLD, MarkRows
from tracker.marks.parameters import (
    COV_UV,
    LEARNT,
    OUTPUTS,
    PARAMETERS,
    RESIDUAL_VARIANCE,
    VAR_UU,
    VAR_VV,
    WEIGHT_SUM,
)
from tracker.marks.pixel_window import fill_window_pixels, pixel_capacity
from tracker.marks.types import Picture

_FEW = 6
"""Marks below which it takes longer to share the work than to do it."""


@dataclass(frozen=True)
class FitResult:
    """What the compiled fit made of `MarkRows`."""

    rows: MarkRows
    out: Array  # (n, OUTPUTS)
    inside: Array  # (n,) pixels used
    outside: Array  # (n,) pixels of the window that lie outside the picture

    @property
    def residual(self) -> Array:
        """Root mean square residual (weighted), grey."""
        return np.sqrt(self.out[:, RESIDUAL_VARIANCE])

    @property
    def window(self) -> Array:
        """(n,) pixels of each window."""
        return self.inside + self.outside

    @property
    def visible(self) -> Array:
        """Mean weight over the whole window."""
        return np.asarray(self.out[:, WEIGHT_SUM] / np.maximum(self.window, 1.0))

    @property
    def covariance(self) -> Array:
        """(n, 2, 2) px² of the places."""
        return self.out[:, [VAR_UU, COV_UV, COV_UV, VAR_VV]].reshape(-1, 2, 2)

    def replace_at(self, index: NDArray[np.int64], other: FitResult) -> FitResult:
        """The same with `other` in place of the marks at `index`."""
        p, out = self.rows.p.copy(), self.out.copy()
        inside, outside = self.inside.copy(), self.outside.copy()
        p[index], out[index] = other.rows.p, other.out
        inside[index], outside[index] = other.inside, other.outside
        return FitResult(self.rows.with_parameters(p), out, inside, outside)


def fit_marks(
    picture: Picture,
    rows: MarkRows,
    prior: FitPrior,
    noise: FitNoise,
    passes: int,
    helper: Executor | None = None,
) -> FitResult:
    """Fit every row over the pixels round its start.

    A `helper`, a thread that is free, does half of the work.
    """
    return fit_listed(rows, list_pixels(picture, rows), prior, noise, passes, helper)


def list_pixels(picture: Picture, rows: MarkRows) -> PixelLists:
    """The pixels round every row."""
    first = np.zeros(len(rows.p) + 1, np.int64)
    pixels = np.empty((3, pixel_capacity(rows.p, rows.q)))
    outside = fill_window_pixels(picture.luma, rows, pixels, first)
    return PixelLists(pixels[:, : first[-1]], first, outside)


def fit_listed(
    rows: MarkRows,
    lists: PixelLists,
    prior: FitPrior,
    noise: FitNoise,
    passes: int,
    helper: Executor | None = None,
) -> FitResult:
    """Fit every row over the pixels listed for it."""
    fitted = rows.with_parameters(rows.p.copy())
    n = len(fitted.p)
    out = np.zeros((n, OUTPUTS))
    free = PARAMETERS if (prior.precision[:, LEARNT:] < HOLD).any() else LEARNT
    control = FitControl(free, passes)

    def fit_part(a: int, b: int) -> None:
        fit_many(
            fitted.part(a, b), lists.part(a, b), prior.part(a, b), noise.part(a, b), control,
            out[a:b],
        )  # fmt: skip

    if helper is None or n < _FEW:
        fit_many(fitted, lists, prior, noise, control, out)
    else:
        half = n // 2
        rest = helper.submit(fit_part, half, n)
        fit_part(0, half)
        rest.result()
    inside = (lists.first[1:] - lists.first[:-1]).astype(float)
    return FitResult(fitted, out, inside, lists.outside)
