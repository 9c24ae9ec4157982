"""Marks partly covered: the shape is known, what doesn't belong to it is left out.

First a fit with Tukey's weights whose scale shrinks from half the contrast to 4.685 standard
deviations (95 % efficient for normal noise, Holland and Welsch 1977). Then whole patches of pixels
that do not fit are taken out with a rim of one pixel, because the cover's blurred edge spoils its
neighbours without showing; what is left is fitted once more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, uniform_filter

from calibration.arrays import Array
from tracker.marks.batch_fit import FitResult, fit_listed, fit_marks, list_pixels
from tracker.marks.fit_inputs import FitNoise
from tracker.marks.image_model import model_grey
from tracker.marks.options import MARKS
from tracker.marks.packing import GREYS, MarkRow, MarkRows
from tracker.marks.parameters import (
    CONTRAST,
    QUADRANT,
    RESIDUAL_VARIANCE,
    SECTOR_OFFSET,
    WEIGHT_SUM,
)
from tracker.marks.priors import tight_prior
from tracker.marks.types import Picture


def tukey_mean_weight(c: float) -> float:
    """Mean Tukey weight of normal residuals at a scale of c standard deviations."""
    return 1.0 - 2.0 / c**2 + 3.0 / c**4


def tukey_mean_square(c: float) -> float:
    """Their weighted variance over the variance."""
    return (1.0 - 6.0 / c**2 + 15.0 / c**4) / tukey_mean_weight(c)


def fit_occluded(
    picture: Picture, part: MarkRows, sigma: Array, gradient_u: Array, gains: Array
) -> FitResult:
    """Place the marks `part` from what of them is visible.

    sigma : (n,) noise. gradient_u : (n,) standard uncertainty of the lighting known before, 1/px.
    gains : (k,) contrast over the one before of the marks that are seen clean in this picture.
    """
    start = _scaled_greys(part, gains)
    prior = tight_prior(start, gradient_u, len(gains) > 0)
    contrast = np.abs(start.p[:, CONTRAST]) / sigma
    rows = start
    for share in (MARKS.occluded_first, MARKS.occluded_second):
        noise = FitNoise(picture.white, sigma, np.maximum(share * contrast, MARKS.tukey + 1.0))
        rows = fit_marks(picture, rows, prior, noise, MARKS.occluded_passes).rows
    noise = FitNoise(picture.white, sigma, np.full(len(sigma), MARKS.tukey))
    rows = fit_marks(picture, rows, prior, noise, MARKS.occluded_last_passes).rows
    lists = list_pixels(picture, rows)
    first = lists.first
    own = np.concatenate(
        [
            _own_pixels_mask(rows.row(i), lists.pixels[:, first[i] : first[i + 1]], sigma[i])
            for i in range(len(sigma))
        ]
    )
    left = np.concatenate([[0], np.cumsum(own)])[first]
    uncovered = lists._replace(pixels=lists.pixels[:, own], first=left)
    last = fit_listed(rows, uncovered, prior, noise, MARKS.occluded_last_passes)
    out = last.out.copy()
    out[:, RESIDUAL_VARIANCE] /= tukey_mean_square(MARKS.tukey)
    out[:, WEIGHT_SUM] /= tukey_mean_weight(MARKS.tukey)
    return FitResult(last.rows, out, np.diff(first).astype(float), lists.outside)


def _scaled_greys(part: MarkRows, gains: Array) -> MarkRows:
    """The same with greys changed as those of the clean marks changed."""
    if len(gains) == 0:
        return part
    p = part.p.copy()
    gain = float(np.median(gains))
    p[:, GREYS] *= gain
    p[part.kinds == QUADRANT, SECTOR_OFFSET] *= gain
    return part.with_parameters(p)


def _own_pixels_mask(mark: MarkRow, pixels: Array, sigma: float) -> NDArray[np.bool_]:
    """Which of these pixels are not in or beside a patch that doesn't fit."""
    if pixels.shape[1] == 0:
        return np.zeros(0, bool)
    model = model_grey(mark, pixels)
    x, y = pixels[0].astype(int), pixels[1].astype(int)
    x, y = x - x.min() + 1, y - y.min() + 1
    misfit = np.zeros((y.max() + 2, x.max() + 2))
    known = np.zeros(misfit.shape)
    misfit[y, x] = np.abs(pixels[2] - model) > MARKS.misfit_sigma * sigma
    known[y, x] = 1.0
    crowd = uniform_filter(misfit, 3, mode="constant") / np.maximum(
        uniform_filter(known, 3, mode="constant"), 1e-3
    )
    patch = np.asarray((crowd > MARKS.misfit_crowd) & (known > 0), bool)
    spoilt = binary_dilation(patch, np.ones((3, 3), bool), iterations=1)
    return np.asarray(~spoilt[y, x])
