"""The pixels that belong to a mark: its outline and a few pixels of ground. Compiled."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks.options import MARKS
from tracker.marks.packing import MarkRows
from tracker.marks.parameters import (
    CENTRE_X,
    CENTRE_Y,
    EDGE_SD,
    MOTION_X,
    MOTION_Y,
    NEAREST,
    NONE,
    OUTLINE,
    PATCH,
    PERSPECTIVE_X,
    PERSPECTIVE_Y,
    QUADRANT,
    RING_EDGES,
    RINGS,
    SQUARE,
    W_UX,
    W_UY,
    W_VX,
    W_VY,
)

_LARGEST = MARKS.window_largest
_RIM, _GROUND, _EDGE_SDS = MARKS.disc_rim, MARKS.ground, MARKS.edge_sds
_CORNER = 1.4143
"""Reach of a square's corner over half its side, rounded up."""
_NO_PATH = 1e-12
"""px² of a path that is none."""
_FAR = 1e6
"""px beyond which a place is none."""


@njit(cache=True, nogil=True, error_model="numpy")
def pixel_capacity(p: Array, q: Array) -> int:
    """More pixels than `fill_window_pixels` can list."""
    total = 0
    for k in range(p.shape[0]):
        w, h = _half_box(p[k], q[k], _EDGE_SDS * p[k, EDGE_SD] + _GROUND)
        if w < _LARGEST and h < _LARGEST:
            total += int(2.0 * w + 2.0) * int(2.0 * h + 2.0)
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _half_box(p: Array, q: Array, margin: float) -> tuple[float, float]:
    """Half the width and height of the box round the window."""
    det = p[W_UX] * p[W_VY] - p[W_UY] * p[W_VX]
    corner = _CORNER if q[OUTLINE] == SQUARE else 1.0
    grown = 1.0 + abs(q[PERSPECTIVE_X]) + abs(q[PERSPECTIVE_Y])
    w = math.hypot(p[W_VY], p[W_UY]) / abs(det) * corner * grown
    h = math.hypot(p[W_UX], p[W_VX]) / abs(det) * corner * grown
    return w + margin + 0.5 * abs(q[MOTION_X]), h + margin + 0.5 * abs(q[MOTION_Y])


@njit(cache=True, nogil=True, error_model="numpy")
def _grown_affine(a: Array, by: float) -> tuple[float, float, float, float]:
    """The inverse affine of an ellipse with both half axes longer by `by` px; all NaN where
    nothing is left of it.
    """
    p, q = 0.5 * (a[W_UX] + a[W_VY]), 0.5 * (a[W_UX] - a[W_VY])
    r, s = 0.5 * (a[W_VX] + a[W_UY]), 0.5 * (a[W_VX] - a[W_UY])
    big, small = math.hypot(p, s), math.hypot(q, r)
    long, short = big + small, abs(big - small)  # singular values of W: 1 over the half axes
    if short <= 0.0 or 1.0 / long + by <= 0.0 or not math.isfinite(by):
        return np.nan, np.nan, np.nan, np.nan
    # W' = W (V diag(l'/l) V^T) with V the directions of the half axes in the picture
    xx, xy, yy = (
        a[W_UX] ** 2 + a[W_VX] ** 2,
        a[W_UX] * a[W_UY] + a[W_VX] * a[W_VY],
        a[W_UY] ** 2 + a[W_VY] ** 2,
    )
    angle = 0.5 * math.atan2(2.0 * xy, xx - yy)
    cos, sin = math.cos(angle), math.sin(angle)
    f, g = 1.0 / (1.0 + by * long), 1.0 / (1.0 + by * short)
    m00, m01, m11 = (
        f * cos * cos + g * sin * sin,
        (f - g) * cos * sin,
        f * sin * sin + g * cos * cos,
    )
    return (
        a[W_UX] * m00 + a[W_UY] * m01,
        a[W_UX] * m01 + a[W_UY] * m11,
        a[W_VX] * m00 + a[W_VY] * m01,
        a[W_VX] * m01 + a[W_VY] * m11,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def fill_window_pixels(
    luma: NDArray[Any], rows: MarkRows, pixels: Array, first: NDArray[np.int64]
) -> NDArray[np.float64]:
    """List the pixels of each mark and its rim of ground; how many lie outside the picture.

    Fills pixels (3, m: x, y, grey) and first (n + 1); a mark for which there is no room left gets
    none. The window moves along with the mark during the exposure.
    """
    height, width = luma.shape
    kinds, p, q = rows.kinds, rows.p, rows.q
    outside = np.zeros(p.shape[0])
    fill = 0
    for k in range(p.shape[0]):
        first[k] = fill
        a = p[k]
        bare = kinds[k] == PATCH or (kinds[k] == QUADRANT and q[k, OUTLINE] == NONE)
        margin = 0.0 if bare else _EDGE_SDS * a[EDGE_SD] + _GROUND
        depth = (
            _RIM + _EDGE_SDS * a[EDGE_SD]
            if kinds[k] == RINGS and q[k, RING_EDGES] == 0
            else math.inf
        )
        w, h = _half_box(a, q[k], margin)
        qx = a[W_UX] * q[k, PERSPECTIVE_X] + a[W_VX] * q[k, PERSPECTIVE_Y]
        qy = a[W_UY] * q[k, PERSPECTIVE_X] + a[W_VY] * q[k, PERSPECTIVE_Y]
        mx, my = q[k, MOTION_X], q[k, MOTION_Y]
        path = 1.0 / max(mx * mx + my * my, _NO_PATH)
        square = q[k, OUTLINE] == SQUARE
        u0, u1, v0, v1 = _grown_affine(a, margin)
        s0, s1, t0, t1 = _grown_affine(a, -depth)
        if square:
            gu = 1.0 / (1.0 + margin * math.hypot(a[W_UX], a[W_UY]))
            gv = 1.0 / (1.0 + margin * math.hypot(a[W_VX], a[W_VY]))
            u0, u1, v0, v1 = a[W_UX] * gu, a[W_UY] * gu, a[W_VX] * gv, a[W_VY] * gv
        if not (
            w < _LARGEST and h < _LARGEST and abs(a[CENTRE_X]) < _FAR and abs(a[CENTRE_Y]) < _FAR
        ):
            continue
        for i in range(math.ceil(a[CENTRE_Y] - h), math.floor(a[CENTRE_Y] + h) + 1):
            for j in range(math.ceil(a[CENTRE_X] - w), math.floor(a[CENTRE_X] + w) + 1):
                dx, dy = j - a[CENTRE_X], i - a[CENTRE_Y]
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
                if D < NEAREST or not inside:
                    continue
                if i < 0 or j < 0 or i >= height or j >= width:
                    outside[k] += 1.0
                elif fill < pixels.shape[1]:
                    pixels[0, fill] = j
                    pixels[1, fill] = i
                    pixels[2, fill] = luma[i, j]
                    fill += 1
    first[p.shape[0]] = fill
    return outside
