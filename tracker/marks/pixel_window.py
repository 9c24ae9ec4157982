"""The pixels that belong to a mark: its outline and a few pixels of ground. Compiled."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks.image_model import NONE, PATCH, QUADRANT, RINGS, SQUARE

FARTHEST = 2000.0
"""Half width in px of a window beyond which there can be no mark."""
RIM = 24.0
"""Pixels inside its edge over which a disc is fitted: the middle of a large disc tells nothing of
its place, and may hold a highlight."""
GROUND = 1.0
"""Pixels of ground taken in beyond three times the edge's blur."""


@njit(cache=True, nogil=True, error_model="numpy")
def room(p: Array, q: Array) -> int:
    """More pixels than `cut` can list."""
    total = 0
    for k in range(p.shape[0]):
        w, h = _reach(p[k], q[k], 3.0 * p[k, 6] + GROUND)
        if w < FARTHEST and h < FARTHEST:
            total += int(2.0 * w + 2.0) * int(2.0 * h + 2.0)
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _reach(p: Array, q: Array, margin: float) -> tuple[float, float]:
    """Half the width and height of the box round the window."""
    det = p[2] * p[5] - p[3] * p[4]
    corner = 1.4143 if q[5] == SQUARE else 1.0
    grown = 1.0 + abs(q[0]) + abs(q[1])
    w = math.hypot(p[5], p[3]) / abs(det) * corner * grown
    h = math.hypot(p[2], p[4]) / abs(det) * corner * grown
    return w + margin + 0.5 * abs(q[2]), h + margin + 0.5 * abs(q[3])


@njit(cache=True, nogil=True, error_model="numpy")
def _grown(a: Array, by: float) -> tuple[float, float, float, float]:
    """The inverse affine of an ellipse with both half axes longer by `by` px; all NaN where
    nothing is left of it.
    """
    p, q = 0.5 * (a[2] + a[5]), 0.5 * (a[2] - a[5])
    r, s = 0.5 * (a[4] + a[3]), 0.5 * (a[4] - a[3])
    big, small = math.hypot(p, s), math.hypot(q, r)
    long, short = big + small, abs(big - small)  # singular values of W: 1 over the half axes
    if short <= 0.0 or 1.0 / long + by <= 0.0 or not math.isfinite(by):
        return np.nan, np.nan, np.nan, np.nan
    # W' = W (V diag(l'/l) V^T) with V the directions of the half axes in the picture
    xx, xy, yy = a[2] ** 2 + a[4] ** 2, a[2] * a[3] + a[4] * a[5], a[3] ** 2 + a[5] ** 2
    angle = 0.5 * math.atan2(2.0 * xy, xx - yy)
    cos, sin = math.cos(angle), math.sin(angle)
    f, g = 1.0 / (1.0 + by * long), 1.0 / (1.0 + by * short)
    m00, m01, m11 = (
        f * cos * cos + g * sin * sin,
        (f - g) * cos * sin,
        f * sin * sin + g * cos * cos,
    )
    return (
        a[2] * m00 + a[3] * m01,
        a[2] * m01 + a[3] * m11,
        a[4] * m00 + a[5] * m01,
        a[4] * m01 + a[5] * m11,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def cut(
    luma: NDArray[Any],
    kinds: NDArray[np.int64],
    p: Array,
    q: Array,
    pixels: Array,
    at: NDArray[np.int64],
) -> NDArray[np.float64]:
    """List the pixels of each mark and its rim of ground; how many lie outside the picture.

    Fills pixels (3, m: x, y, grey) and at (n + 1); a mark for which there is no room left gets
    none. The window moves along with the mark during the exposure.
    """
    rows, columns = luma.shape
    outside = np.zeros(p.shape[0])
    fill = 0
    for k in range(p.shape[0]):
        at[k] = fill
        a = p[k]
        bare = kinds[k] == PATCH or (kinds[k] == QUADRANT and q[k, 5] == NONE)
        margin = 0.0 if bare else 3.0 * a[6] + GROUND
        depth = RIM + 3.0 * a[6] if kinds[k] == RINGS and q[k, 6] == 0 else math.inf
        w, h = _reach(a, q[k], margin)
        qx = a[2] * q[k, 0] + a[4] * q[k, 1]
        qy = a[3] * q[k, 0] + a[5] * q[k, 1]
        mx, my = q[k, 2], q[k, 3]
        path = 1.0 / max(mx * mx + my * my, 1e-12)
        square = q[k, 5] == SQUARE
        u0, u1, v0, v1 = _grown(a, margin)
        s0, s1, t0, t1 = _grown(a, -depth)
        if square:
            gu = 1.0 / (1.0 + margin * math.hypot(a[2], a[3]))
            gv = 1.0 / (1.0 + margin * math.hypot(a[4], a[5]))
            u0, u1, v0, v1 = a[2] * gu, a[3] * gu, a[4] * gv, a[5] * gv
        if not (w < FARTHEST and h < FARTHEST and abs(a[0]) < 1e6 and abs(a[1]) < 1e6):
            continue
        for i in range(math.ceil(a[1] - h), math.floor(a[1] + h) + 1):
            for j in range(math.ceil(a[0] - w), math.floor(a[0] + w) + 1):
                dx, dy = j - a[0], i - a[1]
                along = min(max((dx * mx + dy * my) * path, -0.5), 0.5)
                dx, dy = dx - along * mx, dy - along * my
                D = 1.0 - qx * dx - qy * dy
                u, v = u0 * dx + u1 * dy, v0 * dx + v1 * dy
                D2 = D * D
                if square:
                    inside = u * u < D2 and v * v < D2
                else:
                    s, t = s0 * dx + s1 * dy, t0 * dx + t1 * dy
                    inside = u * u + v * v < D2 and not s * s + t * t <= D2
                if D < 0.2 or not inside:
                    continue
                if i < 0 or j < 0 or i >= rows or j >= columns:
                    outside[k] += 1.0
                elif fill < pixels.shape[1]:
                    pixels[0, fill] = j
                    pixels[1, fill] = i
                    pixels[2, fill] = luma[i, j]
                    fill += 1
    at[p.shape[0]] = fill
    return outside
