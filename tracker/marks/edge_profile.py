"""Edges seen through a Gaussian blur, for a block of pixels. Compiled."""

from __future__ import annotations

import math

from numba import njit

from calibration.arrays import Array
from tracker.marks import workspace as ws
from tracker.marks.workspace import BLOCK

_FAR = 6.0  # standard deviations beyond which an edge is flat
_HEIGHT = 1.0 / math.sqrt(2.0 * math.pi)


@njit(cache=True, error_model="numpy")
def fill_edges(w: Array, at: int, phi: int, density: int) -> None:
    """Rows phi and density of w: the normal distribution at row `at`.

    Abramowitz and Stegun (1964) 26.2.17, good to 7.5e-8.
    """
    for i in range(BLOCK):
        z = w[at + i]
        a = min(abs(z), _FAR)
        x = a * a / 64.0
        # exp(-32 x) as the 32nd power of a Taylor polynomial
        e = 1.0 - x * (1.0 - x * (1 / 2 - x * (1 / 6 - x * (1 / 24 - x * (1 / 120 - x / 720)))))
        e *= e
        e *= e
        e *= e
        e *= e
        e *= e
        e *= _HEIGHT
        t = 1.0 / (1.0 + 0.2316419 * a)
        tail = 1.781477937 + t * (-1.821255978 + t * 1.330274429)
        tail = e * t * (0.319381530 + t * (-0.356563782 + t * tail))
        w[density + i] = e
        w[phi + i] = 0.5 + math.copysign(0.5 - tail, z)


@njit(cache=True, error_model="numpy")
def fill_strip(w: Array, u: int, k: int, h: float, to: int) -> None:
    """Blurred indicator of |u| < h into row `to`, k = 1/(g s), g units for a pixel; in the rows
    after it d/du, s d/ds, d/dh.
    """
    for i in range(BLOCK):
        w[ws.Z1 + i] = (h - w[u + i]) * w[k + i]
        w[ws.Z2 + i] = (h + w[u + i]) * w[k + i]
    fill_edges(w, ws.Z1, ws.E1, ws.F1)
    fill_edges(w, ws.Z2, ws.E2, ws.F2)
    for i in range(BLOCK):
        da, db = w[ws.F1 + i], w[ws.F2 + i]
        w[to + i] = w[ws.E1 + i] + w[ws.E2 + i] - 1.0
        w[to + BLOCK + i] = (db - da) * w[k + i]
        w[to + 2 * BLOCK + i] = -(da * w[ws.Z1 + i] + db * w[ws.Z2 + i])
        w[to + 3 * BLOCK + i] = (da + db) * w[k + i]


@njit(cache=True, error_model="numpy")
def fill_crossings(w: Array, h: float) -> None:
    """What the crossings of a cross's edges add to its coverage, over the cosine of the angle
    between their normals: Phi(x, y; r) = Phi(x) Phi(y) + r phi(x) phi(y) + O(r²) (Plackett 1954).

    From the strips A (u, h), B (v, 1), C (v, h), E (u, 1); into row Z1, its d/du, d/dv into E1, F1,
    s d/ds of u's and v's edges into Z2, E2, d/dh into F2.
    """
    for i in range(BLOCK):
        ku, kv = w[ws.KU + i], w[ws.KV + i]
        x, y = w[ws.U + i] * ku, w[ws.V + i] * kv
        m, n = h * ku, h * kv
        iu, iv = 1.0 / ku, 1.0 / kv
        # differences and sums of the densities at the two edges of each strip
        a, e = w[ws.AU + i] * iu, w[ws.EU + i] * iu
        b, c = w[ws.BU + i] * iv, w[ws.CU + i] * iv
        ah, eh = w[ws.AH + i] * iu, w[ws.EH + i] * iu
        bh, ch = w[ws.BH + i] * iv, w[ws.CH + i] * iv
        w[ws.Z1 + i] = a * (b - c) + c * e
        w[ws.E1 + i] = ku * (w[ws.AS + i] * (b - c) + c * w[ws.ES + i])
        w[ws.F1 + i] = kv * (a * (w[ws.BS + i] - w[ws.CS + i]) + w[ws.CS + i] * e)
        sa, se = a * (x * x + m * m) + 2.0 * ah * x * m, e * (x * x + ku * ku) + 2.0 * eh * x * ku
        sb, sc = b * (y * y + kv * kv) + 2.0 * bh * y * kv, c * (y * y + n * n) + 2.0 * ch * y * n
        w[ws.Z2 + i] = sa * (b - c) + c * se
        w[ws.E2 + i] = a * (sb - sc) + sc * e
        w[ws.F2 + i] = kv * (n * c + y * ch) * (a - e) - ku * (m * a + x * ah) * (b - c)
