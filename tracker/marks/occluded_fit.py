"""Marks partly covered: the shape is known, what doesn't belong to it is left out.

First a fit with Tukey's weights whose scale shrinks from half the contrast to 4.685 standard
deviations (95 % efficient for normal noise, Holland and Welsch 1977). Then whole patches of pixels
that do not fit are taken out with a rim of one pixel, because the cover's blurred edge spoils its
neighbours without showing; what is left is fitted once more.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, uniform_filter

from calibration.arrays import Array
from tracker.marks import priors
from tracker.marks.batch_fit import Fitted, fit, fit_lists, listed
from tracker.marks.image_model import QUADRANT
from tracker.marks.levenberg_marquardt import greys
from tracker.marks.packing import Rows

TUKEY = 4.685


def mean_weight(c: float) -> float:
    """Mean Tukey weight of normal residuals at a scale of c standard deviations."""
    return 1.0 - 2.0 / c**2 + 3.0 / c**4


def mean_square(c: float) -> float:
    """Their weighted variance over the variance."""
    return (1.0 - 6.0 / c**2 + 15.0 / c**4) / mean_weight(c)


def fit_covered(
    luma: NDArray[Any], part: Rows, sigma: Array, light: Array, gains: Array, white: float
) -> Fitted:
    """Place the marks `part` from what of them is visible.

    sigma : (n,) noise. light : (n,) standard uncertainty of the lighting known before, 1/px.
    gains : (k,) contrast over the one before of the marks that are seen clean in this picture.
    """
    start = _brightened(part, gains)
    tight = priors.held(start, light, len(gains) > 0)
    contrast = np.abs(start.p[:, 8]) / sigma
    done = start
    for share in (0.45, 0.2):
        scale = np.maximum(share * contrast, TUKEY + 1.0)
        done = fit(luma, done, tight, sigma, scale, white, 8, start.p).rows
    final = fit(luma, done, tight, sigma, np.full(len(sigma), TUKEY), white, 20, start.p)
    pixels, at, outside = listed(luma, final.rows)
    inside = np.diff(at).astype(float)
    kept = np.concatenate(
        [_belongs(final.rows, i, pixels[:, at[i] : at[i + 1]], sigma[i]) for i in range(len(sigma))]
    )
    left = np.concatenate([[0], np.cumsum(kept)])[at]
    last = fit_lists(
        final.rows, pixels[:, kept], left, outside, tight, sigma,
        np.full(len(sigma), TUKEY), white, 20, start.p,
    )  # fmt: skip
    out = last.out.copy()
    out[:, 3] /= mean_square(TUKEY)
    out[:, 4] /= mean_weight(TUKEY)
    return Fitted(last.rows, out, inside, outside)


def _brightened(part: Rows, gains: Array) -> Rows:
    """The same with greys changed as those of the clean marks changed."""
    if len(gains) == 0:
        return part
    p = part.p.copy()
    gain = float(np.median(gains))
    p[:, 7:9] *= gain
    p[part.kinds == QUADRANT, 11] *= gain
    return Rows(part.kinds, p, part.q, part.templates, part.template_at)


def _belongs(rows: Rows, i: int, pixels: Array, sigma: float) -> NDArray[np.bool_]:
    """Which of these pixels are not in or beside a patch that doesn't fit."""
    if pixels.shape[1] == 0:
        return np.zeros(0, bool)
    template = rows.templates[rows.template_at[i, 0] : rows.template_at[i, 1]]
    model = greys(int(rows.kinds[i]), rows.p[i], rows.q[i], template, pixels)
    x, y = pixels[0].astype(int), pixels[1].astype(int)
    x, y = x - x.min() + 1, y - y.min() + 1
    grid = np.zeros((y.max() + 2, x.max() + 2))
    known = np.zeros(grid.shape)
    grid[y, x] = np.abs(pixels[2] - model) > 2.5 * sigma
    known[y, x] = 1.0
    crowd = uniform_filter(grid, 3, mode="constant") / np.maximum(
        uniform_filter(known, 3, mode="constant"), 1e-3
    )
    patch = np.asarray((crowd > 0.4) & (known > 0), bool)
    spoilt = binary_dilation(patch, np.ones((3, 3), bool), iterations=1)
    return np.asarray(~spoilt[y, x])
