"""The grey that a learnt template gives a block of pixels, and its derivatives, compiled."""

from __future__ import annotations

from numba import njit

from calibration.arrays import Array
from tracker.marks import workspace as ws
from tracker.marks.parameters import (
    CONTRAST,
    LEVEL,
    TEMPLATE_SCALE,
    TEMPLATE_SIDE,
    W_UX,
    W_UY,
    W_VX,
    W_VY,
)
from tracker.marks.workspace import BLOCK


@njit(cache=True, error_model="numpy")
def _spline_weights(t: float) -> tuple[float, float, float, float]:
    """Weights of the four coefficients of a cubic B-spline at the fraction t (Unser 1999)."""
    r = 1.0 - t
    return (
        r * r * r / 6.0,
        2.0 / 3.0 - 0.5 * t * t * (2.0 - t),
        2.0 / 3.0 - 0.5 * r * r * (2.0 - r),
        t * t * t / 6.0,
    )


@njit(cache=True, error_model="numpy")
def _spline_slopes(t: float) -> tuple[float, float, float, float]:
    r = 1.0 - t
    return -0.5 * r * r, t * (1.5 * t - 2.0), -r * (1.5 * r - 2.0), 0.5 * t * t


@njit(cache=True, error_model="numpy")
def fill_texture(p: Array, q: Array, template: Array, w: Array) -> None:
    """Rows `MODEL` and the first 9 of J of w, from cubic B-spline coefficients (n * n,)."""
    n, scale = int(q[TEMPLATE_SIDE]), q[TEMPLATE_SCALE]
    for k in range(BLOCK):
        dx, dy = w[ws.DX + k], w[ws.DY + k]
        u = (p[W_UX] * dx + p[W_UY] * dy) * scale + 0.5 * (n - 1)
        v = (p[W_VX] * dx + p[W_VY] * dy) * scale + 0.5 * (n - 1)
        u = min(max(u, 1.0), n - 2.001)
        v = min(max(v, 1.0), n - 2.001)
        i, j = int(v), int(u)
        cu, du = _spline_weights(u - j), _spline_slopes(u - j)
        cv, dv = _spline_weights(v - i), _spline_slopes(v - i)
        T = Tu = Tv = 0.0
        for a in range(4):
            row = (i - 1 + a) * n + j - 1
            t0, t1, t2, t3 = template[row], template[row + 1], template[row + 2], template[row + 3]
            t = cu[0] * t0 + cu[1] * t1 + cu[2] * t2 + cu[3] * t3
            T += cv[a] * t
            Tv += dv[a] * t
            Tu += cv[a] * (du[0] * t0 + du[1] * t1 + du[2] * t2 + du[3] * t3)
        wu, wv = p[CONTRAST] * scale * Tu, p[CONTRAST] * scale * Tv
        w[ws.J_X + k] = -(wu * p[W_UX] + wv * p[W_VX])
        w[ws.J_Y + k] = -(wu * p[W_UY] + wv * p[W_VY])
        w[ws.J_UX + k] = wu * dx
        w[ws.J_UY + k] = wu * dy
        w[ws.J_VX + k] = wv * dx
        w[ws.J_VY + k] = wv * dy
        w[ws.J_SD + k] = 0.0
        w[ws.J_LEVEL + k] = 1.0
        w[ws.J_CONTRAST + k] = T
        w[ws.MODEL + k] = p[LEVEL] + p[CONTRAST] * T
