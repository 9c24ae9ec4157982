"""The grey that a learnt template gives a block of pixels, and its derivatives, compiled."""

from __future__ import annotations

from numba import njit

from calibration.arrays import Array
from tracker.marks import workspace
from tracker.marks.edge_profile import FAST
from tracker.marks.workspace import BLOCK, MODEL, J


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _taps(t: float) -> tuple[float, float, float, float]:
    """Weights of the four coefficients of a cubic B-spline at the fraction t (Unser 1999)."""
    r = 1.0 - t
    return (
        r * r * r / 6.0,
        2.0 / 3.0 - 0.5 * t * t * (2.0 - t),
        2.0 / 3.0 - 0.5 * r * r * (2.0 - r),
        t * t * t / 6.0,
    )


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _slopes(t: float) -> tuple[float, float, float, float]:
    r = 1.0 - t
    return -0.5 * r * r, t * (1.5 * t - 2.0), -r * (1.5 * r - 2.0), 0.5 * t * t


@njit(cache=True, error_model="numpy", fastmath=FAST)
def textured(p: Array, q: Array, template: Array, w: Array) -> None:
    """Rows `MODEL` and the first 9 of J of w, from cubic B-spline coefficients (n * n,)."""
    n, scale = int(q[6]), q[7]
    for k in range(BLOCK):
        dx, dy = w[workspace.DX + k], w[workspace.DY + k]
        u = (p[2] * dx + p[3] * dy) * scale + 0.5 * (n - 1)
        v = (p[4] * dx + p[5] * dy) * scale + 0.5 * (n - 1)
        u = min(max(u, 1.0), n - 2.001)
        v = min(max(v, 1.0), n - 2.001)
        i, j = int(v), int(u)
        cu, du = _taps(u - j), _slopes(u - j)
        cv, dv = _taps(v - i), _slopes(v - i)
        T = Tu = Tv = 0.0
        for a in range(4):
            row = (i - 1 + a) * n + j - 1
            t0, t1, t2, t3 = template[row], template[row + 1], template[row + 2], template[row + 3]
            t = cu[0] * t0 + cu[1] * t1 + cu[2] * t2 + cu[3] * t3
            T += cv[a] * t
            Tv += dv[a] * t
            Tu += cv[a] * (du[0] * t0 + du[1] * t1 + du[2] * t2 + du[3] * t3)
        wu, wv = p[8] * scale * Tu, p[8] * scale * Tv
        w[J + k] = -(wu * p[2] + wv * p[4])
        w[J + BLOCK + k] = -(wu * p[3] + wv * p[5])
        w[J + 2 * BLOCK + k] = wu * dx
        w[J + 3 * BLOCK + k] = wu * dy
        w[J + 4 * BLOCK + k] = wv * dx
        w[J + 5 * BLOCK + k] = wv * dy
        w[J + 6 * BLOCK + k] = 0.0
        w[J + 7 * BLOCK + k] = 1.0
        w[J + 8 * BLOCK + k] = T
        w[MODEL + k] = p[7] + p[8] * T
