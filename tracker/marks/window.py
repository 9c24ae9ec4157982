"""The pixels that belong to a mark: its outline and a few pixels of ground."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.camera import Array

SQUARED = 2  # value of the outline constant for which the window is a square


@njit(cache=True, nogil=True, error_model="numpy")
def _reach(p: Array, q: Array, margin: float) -> tuple[float, float]:
    """Half the width and height of the box round the window."""
    det = p[2] * p[5] - p[3] * p[4]
    corner = 1.4143 if q[5] == SQUARED else 1.0
    grown = 1.0 + abs(q[0]) + abs(q[1])
    w = math.hypot(p[5], p[3]) / abs(det) * corner * grown
    h = math.hypot(p[2], p[4]) / abs(det) * corner * grown
    return w + margin + 0.5 * abs(q[2]), h + margin + 0.5 * abs(q[3])


@njit(cache=True, nogil=True, error_model="numpy")
def cut(
    luma: NDArray[Any],
    p: Array,
    q: Array,
    margin: Array,
    depth: Array,
    pixels: Array,
    at: NDArray[np.int64],
) -> NDArray[np.float64]:
    """List the pixels up to `margin` px outside and `depth` px inside each outline; how many lie
    outside the picture.

    Fills pixels (m, 3: x, y, grey) and at (n + 1); a mark for which there is no room left gets
    none. The window moves along with the mark during the exposure.
    """
    rows, columns = luma.shape
    outside = np.zeros(p.shape[0])
    fill = 0
    for k in range(p.shape[0]):
        at[k] = fill
        a = p[k]
        w, h = _reach(a, q[k], max(margin[k], 0.0))
        qx = a[2] * q[k, 0] + a[4] * q[k, 1]
        qy = a[3] * q[k, 0] + a[5] * q[k, 1]
        length = math.hypot(q[k, 2], q[k, 3])
        steps = 1 + int(length / 2.0)
        if not (w < 2000.0 and h < 2000.0 and abs(a[0]) < 1e6 and abs(a[1]) < 1e6):
            continue
        for i in range(math.ceil(a[1] - h), math.floor(a[1] + h) + 1):
            for j in range(math.ceil(a[0] - w), math.floor(a[0] + w) + 1):
                inside = False
                for t in range(steps):
                    along = (t + 0.5) / steps - 0.5 if steps > 1 else 0.0
                    dx, dy = j - a[0] - along * q[k, 2], i - a[1] - along * q[k, 3]
                    D = 1.0 - qx * dx - qy * dy
                    if D < 0.2:
                        continue
                    u, v = (a[2] * dx + a[3] * dy) / D, (a[4] * dx + a[5] * dy) / D
                    if q[k, 5] == SQUARED:
                        gu, gv = math.hypot(a[2], a[3]), math.hypot(a[4], a[5])
                        inside = abs(u) < 1.0 + margin[k] * gu and abs(v) < 1.0 + margin[k] * gv
                    else:
                        rho = math.sqrt(u * u + v * v) + 1e-12
                        g = math.hypot(u * a[2] + v * a[4], u * a[3] + v * a[5]) / rho
                        inside = 1.0 - depth[k] * g < rho < 1.0 + margin[k] * g
                    if inside:
                        break
                if not inside:
                    continue
                if i < 0 or j < 0 or i >= rows or j >= columns:
                    outside[k] += 1.0
                elif fill < pixels.shape[0]:
                    pixels[fill, 0] = j
                    pixels[fill, 1] = i
                    pixels[fill, 2] = luma[i, j]
                    fill += 1
    at[p.shape[0]] = fill
    return outside
