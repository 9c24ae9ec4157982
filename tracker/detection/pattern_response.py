"""Where in a whole picture something looks like a painted pattern: a few filters a size.

Each filter is a zero-mean weight over a disc as large as the mark, correlated with the picture and
divided by the picture's own standard deviation under the disc, so lighting and contrast don't
matter. Patterns of sectors are found whichever way they are turned by the angular harmonic that
they repeat with (two sectors of a kind: the second; the four arms of a cross: the fourth), circles
by their radial profile. All patterns are alike on opposite sides of their middle; what isn't, an
edge or a slope, counts against a place.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import Pattern
from tracker.detection.options import DETECTION
from tracker.marks import Picture
from tracker.marks.patterns import PATTERN_MODELS, RING_PROFILES, Family

FAMILIES: dict[Pattern, Family] = {
    pattern: model.family for pattern, model in PATTERN_MODELS.items() if model.family is not None
}
"""What each pattern is filtered for; those without a family are not sought."""
_PROFILES: dict[Family, tuple[tuple[float, ...], ...]] = {
    "disc": ((1.0,),),
    "ring": tuple((1.0, *radii) for radii, _ in RING_PROFILES),
}
"""Radii (half sizes) at which the grey of a circle's profile changes."""
_ARMS = {"sectors": 2, "cross": 4}
"""The angular harmonic that other families repeat with."""
_PEAKS_NEAR = 20
"""Peaks of a window that are looked at round a place."""
_FLAT = 1e-6
"""Curvature of a response below which a peak has no vertex."""
_FINE = 5
"""Points a pixel side at which a filter is sampled, so that small ones keep their shape."""
Kernel = NDArray[np.float32]


@dataclass(frozen=True)
class PatternResponse:
    """How much each place looks like a pattern of one size: 0 to 1, over a picture's pixels."""

    score: NDArray[np.float32]  # (rows, columns) of the shrunk picture
    step: tuple[float, float]  # px of the picture for one of the shrunk, u and v

    def peaks(self, most: int, least: float) -> tuple[Array, Array]:
        """Places (n, 2) px of the best maxima, at most `most`, and their scores (n,) >= least."""
        score = self.score
        top = cv2.dilate(score, np.ones((5, 5), np.uint8))
        v, u = np.nonzero((score >= top) & (score >= least))
        order = np.argsort(-score[v, u])[:most]
        u, v = u[order], v[order]
        places = np.column_stack(
            [_parabola_vertex(score, u, v, 1), _parabola_vertex(score, u, v, 0)]
        )
        return (places + 0.5) * self.step - 0.5, score[v, u].astype(float)


def filter_sizes(sizes: Array) -> Iterator[float]:
    """Sizes at which marks of these sizes (n,) are found: those within a third of one another by
    one filter.
    """
    sizes = np.sort(sizes)
    while len(sizes):
        limit = DETECTION.sizes_alike * sizes[0]
        group, sizes = sizes[sizes < limit], sizes[sizes >= limit]
        yield float(np.sqrt(group[0] * group[-1]))


def pattern_response(picture: Picture, family: Family, size: float) -> PatternResponse:
    """The response of a whole picture to a pattern about `size` px across, right to a quarter.

    What varies by less than the option `faint` of the full scale counts less.
    """
    luma = picture.luma
    shrink = max(size / DETECTION.working_size, 1.0)
    rows, columns = (max(round(n / shrink), 1) for n in luma.shape)
    step = luma.shape[1] / columns, luma.shape[0] / rows
    grey = np.asarray(luma, np.float32)
    if shrink > 1.0:
        grey = np.asarray(cv2.resize(grey, (columns, rows), interpolation=cv2.INTER_AREA))
    grey = grey - grey.mean()
    window, groups = _window_and_kernels(family, round(size / shrink, 1))
    mean = _filter_picture(grey, window)
    spread = np.sqrt(np.maximum(_filter_picture(grey * grey, window) - mean * mean, 0.0))
    spread = np.maximum(spread, DETECTION.faint * picture.white)
    score = np.zeros(grey.shape, np.float32)
    slope = sum(_filter_picture(grey, kernel) ** 2 for kernel in groups[-1])
    for kernels in groups[:-1]:
        square = sum(_filter_picture(grey, kernel) ** 2 for kernel in kernels)
        np.maximum(score, np.sqrt(np.maximum(square - slope, 0.0)) / spread, out=score)
    return PatternResponse(score, step)


def best_response_near(
    picture: Picture, family: Family, size: float, at: Array, reach: float
) -> float:
    """The best response (0 to 1) within `reach` px of one place (2,)."""
    margin = int(np.ceil(reach + 0.5 * DETECTION.ground_reach * size)) + 3
    u, v = (round(float(x)) for x in at)
    left, top = max(u - margin, 0), max(v - margin, 0)
    part = picture.luma[top : max(v + margin + 1, 0), left : max(u + margin + 1, 0)]
    if min(part.shape) < DETECTION.least_window * size:
        return 0.0
    found = pattern_response(Picture(part, picture.white), family, size)
    place, score = found.peaks(_PEAKS_NEAR, 0.0)
    near = np.hypot(*(place + np.array([left, top]) - at).T) <= reach
    return float(score[near].max(initial=0.0))


def _filter_picture(grey: NDArray[np.float32], kernel: Kernel) -> NDArray[np.float32]:
    border = cv2.BORDER_REFLECT_101
    return np.asarray(cv2.filter2D(grey, cv2.CV_32F, kernel, borderType=border), np.float32)


@lru_cache(maxsize=64)
def _window_and_kernels(
    family: Family, size: float
) -> tuple[Kernel, tuple[tuple[Kernel, ...], ...]]:
    """The window over which a picture's spread is taken (sum 1), and groups of kernels whose
    joint length is the response: 1 for a picture that is made of them. The last group answers to
    what is not the same on opposite sides of the middle, as it is of no pattern.
    """
    circle = family in _PROFILES
    reach = 0.5 * size * (DETECTION.ground_reach if circle else 1.0)
    half = int(np.ceil(reach))
    at = (np.arange((2 * half + 1) * _FINE) + 0.5) / _FINE - 0.5 - half
    x, y = at[None, :] / (0.5 * size), at[:, None] / (0.5 * size)
    r, angle = np.hypot(x, y), np.arctan2(y, x)
    window = _block_means((r * 0.5 * size < reach).astype(float))
    window = window / window.sum()
    groups: list[tuple[Kernel, ...]] = []
    if circle:
        for radii in _PROFILES[family]:
            sign = np.sum([r < edge for edge in radii], axis=0) % 2
            groups.append((_normalised_kernel(_block_means(sign.astype(float)), window),))
    else:
        turns = _ARMS[family]
        inside = r < 1.0
        waves = [np.cos(turns * angle) * inside, np.sin(turns * angle) * inside]
        groups.append(tuple(_normalised_kernel(_block_means(wave), window) for wave in waves))
    sides = [np.cos(angle) * (r < 1.0), np.sin(angle) * (r < 1.0)]
    groups.append(tuple(_normalised_kernel(_block_means(side), window) for side in sides))
    return window.astype(np.float32), tuple(groups)


def _block_means(values: Array) -> Array:
    n = len(values) // _FINE
    return np.asarray(values.reshape(n, _FINE, n, _FINE).mean(axis=(1, 3)))


def _normalised_kernel(values: Array, window: Array) -> Kernel:
    """Weights that give the covariance of the picture with `values` over their spread."""
    values = values - np.sum(window * values)
    values = values / np.sqrt(np.sum(window * values * values))
    return np.asarray(window * values, np.float32)


def _parabola_vertex(score: NDArray[np.float32], u: Any, v: Any, axis: int) -> Array:
    """Place along an axis (1: u, 0: v) of the parabola's vertex through a maximum."""
    at = np.asarray(u if axis else v)
    last = score.shape[axis] - 1
    before, after = np.maximum(at - 1, 0), np.minimum(at + 1, last)
    low = score[v, before] if axis else score[before, u]
    high = score[v, after] if axis else score[after, u]
    curve = 2 * score[v, u] - low - high
    shift = np.where(curve > _FLAT, 0.5 * (high - low) / np.maximum(curve, _FLAT), 0.0)
    return np.asarray(at + np.clip(shift, -0.5, 0.5), float)
