"""How much noise that clumps, as grain, coding and texture do, widens a place. Compiled.

The sandwich of the fit takes each pixel's error for its own. Where neighbours' errors go together
the sum of products of residuals at each lag belongs to it as well (Conley 1999). Taken pair by pair
they are too uncertain for one mark; the mean correlation of each distance is not, so that

    M = sum_i s_i s_i^T + 2 sum_lag rho(|lag|) sum_i s_i s_(i+lag)^T

with s_i the pull on the place of a pixel in error by its standard deviation.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from calibration.arrays import Array
from tracker.marks.options import MARKS
from tracker.marks.workspace import BLOCK

_SIGNIFICANT = MARKS.clumped
_DISTANCES = 6
"""Distances of which the correlation is measured: 1, sqrt 2, 2, sqrt 5, sqrt 8 and 3 px."""
_LAGS = np.array(
    [
        (1, 0, 0), (0, 1, 0), (1, 1, 1), (-1, 1, 1), (2, 0, 2), (0, 2, 2),
        (2, 1, 3), (-2, 1, 3), (1, 2, 3), (-1, 2, 3), (2, 2, 4), (-2, 2, 4), (3, 0, 5), (0, 3, 5),
    ],
    np.int64,
)  # fmt: skip
"""Half of the lags within reach: x, y, number of the distance."""
_REACH = 3
_MOST_LOST = 0.3
"""Largest share of the errors' energy that the fit is taken to have followed."""


@njit(cache=True, error_model="numpy")
def correlated_variance(
    T: Array, free: int, pixels: Array, fitted: float
) -> tuple[float, float, float]:
    """What correlation adds to the variances uu, uv, vv of a place, px²; 0 for white noise.

    T : blocks of free + 2 rows: in rows 0 and 1 the pull of each pixel on the place, u and v, and
        in row `free` its residual, both over its standard deviation.
    pixels : (3, m) x, y, grey, row by row of the picture.
    fitted : parameters that these pixels determine: each has followed errors that go together.
    """
    m = pixels.shape[1]
    total, beside, pairs = 0.0, 0.0, 0
    rows = free + 2
    before, x, y = 0.0, -9.0, -9.0
    for i in range(m):
        r = T[(i // BLOCK) * rows + free, i % BLOCK]
        total += r * r
        if pixels[1, i] == y and pixels[0, i] == x + 1.0:
            beside += r * before
            pairs += 1
        before, x, y = r, pixels[0, i], pixels[1, i]
    if pairs < 1 or total <= 0.0:
        return 0.0, 0.0, 0.0
    if beside / pairs / (total / m) * math.sqrt(pairs) < _SIGNIFICANT:
        return 0.0, 0.0, 0.0
    return _added_variance(T, free, pixels, total / m, fitted)


@njit(cache=True, error_model="numpy")
def _added_variance(
    T: Array, free: int, pixels: Array, variance: float, fitted: float
) -> tuple[float, float, float]:
    m, rows = pixels.shape[1], free + 2
    left, right = pixels[0].min(), pixels[0].max()
    top, bottom = pixels[1, 0], pixels[1, m - 1]
    width = int(right - left) + 1 + 2 * _REACH
    number = np.full((int(bottom - top) + 1 + _REACH) * width, -1, np.int64)
    for i in range(m):
        number[int(pixels[1, i] - top) * width + int(pixels[0, i] - left) + _REACH] = i
    uu, uv, vv = np.zeros(_DISTANCES), np.zeros(_DISTANCES), np.zeros(_DISTANCES)
    together, count = np.zeros(_DISTANCES), np.zeros(_DISTANCES)
    for i in range(m):
        block, lane = (i // BLOCK) * rows, i % BLOCK
        u, v, r = T[block, lane], T[block + 1, lane], T[block + free, lane]
        at = int(pixels[1, i] - top) * width + int(pixels[0, i] - left) + _REACH
        for k in range(_LAGS.shape[0]):
            j = number[at + _LAGS[k, 1] * width + _LAGS[k, 0]]
            if j < 0:
                continue
            d, other, there = _LAGS[k, 2], (j // BLOCK) * rows, j % BLOCK
            together[d] += r * T[other + free, there]
            count[d] += 1.0
            uu[d] += 2.0 * u * T[other, there]
            vv[d] += 2.0 * v * T[other + 1, there]
            uv[d] += u * T[other + 1, there] + v * T[other, there]
    own = 0.0  # of both variances, what white noise gives
    for i in range(m):
        block, lane = (i // BLOCK) * rows, i % BLOCK
        own += T[block, lane] ** 2 + T[block + 1, lane] ** 2
    a = b = c = lost = 0.0
    for _ in range(2):
        most = 1.0
        a = b = c = 0.0
        for d in range(_DISTANCES):
            # the fit has followed what goes together; correlation falls with distance
            left = together[d] / max(count[d], 1.0) / variance * (1.0 - lost) + lost
            most = min(max(left, 0.0), most)
            a, b, c = a + most * uu[d], b + most * uv[d], c + most * vv[d]
        a, c = max(a, 0.0), max(c, 0.0)
        lost = min(fitted * (1.0 + (a + c) / own) / m, _MOST_LOST)
    variance /= 1.0 - lost
    a, c = a * variance, c * variance
    limit = math.sqrt(a * c)
    return a, min(max(b * variance, -limit), limit), c
