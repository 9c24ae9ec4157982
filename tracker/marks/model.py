"""The grey that a mark of known shape gives its pixels, and its derivatives, compiled.

An edge seen through a Gaussian blur is Phi(d / s), d the signed distance of the pixel's centre from
the edge and s² = blur² + 1/12 (the second moment of the pixel's own area). Crossing edges multiply,
the lighting plane multiplies everything, and motion during the exposure is the mean over the path,
taken at Gauss-Legendre points. Derivatives are exact but for the change of the factor that turns
mark units into pixels along a curved outline; that error vanishes on the outline itself.

Parameters p (16): 0, 1 position; 2..5 inverse of the affine, row by row; 6 s; 7 level; 8 contrast;
9, 10 lighting; 11 offset, 12 opening (quadrant); 11 radius, 12 step, 13 radius, 14 step (ring);
11 half width of a bar (cross). Constants q (8): 0, 1 perspective; 2, 3 motion during the exposure;
4 points a side of the path's middle; 5 outline; 6 edges (ring) or width of the template (patch);
7 template pixels for one mark unit.

Pixels are taken a block of `BLOCK` at a time. All that is known of a block lies in rows of one flat
work space w (`WORK`), at offsets fixed when it is compiled, so that every loop runs on the
processor's vector registers.
"""

from __future__ import annotations

import math

from numba import njit

from calibration.camera import Array

PARAMETERS = 16
LEARNT = 12
"""Parameters from here on belong to the paint: learnt once, then held (11 may, too)."""
CONSTANTS = 8
QUADRANT, RINGS, CROSS, PATCH = 0, 1, 2, 3
NONE, DISC, SQUARE, FLAT = 0, 1, 2, 3
FAST = {"contract", "reassoc", "arcp", "nsz"}
"""Liberties the compiler may take: none that supposes there are no infinities."""

BLOCK = 64
"""Pixels taken at a time."""
X, Y, GREY = 0 * BLOCK, 1 * BLOCK, 2 * BLOCK
"""Rows of w: the block's pixels."""
MODEL, J = 3 * BLOCK, 4 * BLOCK
"""Rows of w: the model's grey, and from J on its derivatives by each parameter."""
_SUM = 20 * BLOCK  # of the grey and the derivatives along the path
_DX, _DY, _D = 37 * BLOCK, 38 * BLOCK, 39 * BLOCK  # from the centre; perspective
_U, _V, _UX, _UY, _VX, _VY = (n * BLOCK for n in range(40, 46))  # mark units, their gradients
_RHO, _K, _GX, _GY, _G2 = (n * BLOCK for n in range(46, 51))  # radius and its gradient
_WEIGHT, _ALONG = 51 * BLOCK, 52 * BLOCK
_Z1, _E1, _F1, _Z2, _E2, _F2 = (n * BLOCK for n in range(53, 59))  # edges and their densities
_A, _AU, _AS, _AH = (n * BLOCK for n in range(59, 63))  # strips: value, slope, spread, width
_B, _BU, _BS, _BH = (n * BLOCK for n in range(63, 67))
_C, _CU, _CS, _CH = (n * BLOCK for n in range(67, 71))
_E, _EU, _ES, _EH = (n * BLOCK for n in range(71, 75))
_KU, _KV = 75 * BLOCK, 76 * BLOCK
_WU, _WV, _SU, _SV = (n * BLOCK for n in range(77, 81))  # what `_along_sides` takes
WORK = 81 * BLOCK
"""Length of the work space."""

_GAUSS = 1.0 / math.sqrt(3.0)
_DIAGONAL = math.sqrt(0.5)
_FAR = 6.0  # standard deviations beyond which an edge is flat
_HEIGHT = 1.0 / math.sqrt(2.0 * math.pi)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _edges(w: Array, at: int, phi: int, density: int) -> None:
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


@njit(cache=True, error_model="numpy", fastmath=FAST)
def prepare(kind: int, p: Array, q: Array, c: Array) -> None:
    """What all pixels share, into c (16).

    0 1/s; 1, 2 W^T (perspective); 3, 4 lengths of the rows of W. Quadrant: 5..10 of the first line:
    normal in the picture, length of W^T n, cosine and sine of its angle in mark units; 10..15 of
    the second.
    """
    c[0] = 1.0 / p[6]
    c[1] = p[2] * q[0] + p[4] * q[1]
    c[2] = p[3] * q[0] + p[5] * q[1]
    c[3], c[4] = math.hypot(p[2], p[3]), math.hypot(p[4], p[5])
    if kind == QUADRANT:
        for k in range(2):
            angle = (0.5 * p[12] - 0.25 * math.pi) if k == 0 else (0.75 * math.pi - 0.5 * p[12])
            cos, sin = math.cos(angle), math.sin(angle)
            nx, ny = p[2] * cos + p[4] * sin, p[3] * cos + p[5] * sin
            length = math.hypot(nx, ny)
            a = 5 + 5 * k
            c[a], c[a + 1], c[a + 2] = nx / length, ny / length, 1.0 / length
            c[a + 3], c[a + 4] = cos, sin


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _strip(w: Array, u: int, k: int, h: float, to: int) -> None:
    """Blurred indicator of |u| < h into row `to`, k = 1/(g s), g units for a pixel; in the rows
    after it d/du, s d/ds, d/dh.
    """
    for i in range(BLOCK):
        w[_Z1 + i] = (h - w[u + i]) * w[k + i]
        w[_Z2 + i] = (h + w[u + i]) * w[k + i]
    _edges(w, _Z1, _E1, _F1)
    _edges(w, _Z2, _E2, _F2)
    for i in range(BLOCK):
        da, db = w[_F1 + i], w[_F2 + i]
        w[to + i] = w[_E1 + i] + w[_E2 + i] - 1.0
        w[to + BLOCK + i] = (db - da) * w[k + i]
        w[to + 2 * BLOCK + i] = -(da * w[_Z1 + i] + db * w[_Z2 + i])
        w[to + 3 * BLOCK + i] = (da + db) * w[k + i]


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _plane(p: Array, c: Array, w: Array) -> None:
    """Mark units u, v of the block and their gradients in the picture."""
    for i in range(BLOCK):
        dx, dy = w[_DX + i], w[_DY + i]
        D = 1.0 / max(1.0 - c[1] * dx - c[2] * dy, 0.2)
        u, v = (p[2] * dx + p[3] * dy) * D, (p[4] * dx + p[5] * dy) * D
        w[_D + i], w[_U + i], w[_V + i] = D, u, v
        w[_UX + i], w[_UY + i] = (p[2] + u * c[1]) * D, (p[3] + u * c[2]) * D
        w[_VX + i], w[_VY + i] = (p[4] + v * c[1]) * D, (p[5] + v * c[2]) * D


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _circle(p: Array, c: Array, w: Array) -> None:
    """Radius |m|, k = 1/(|grad |m|| s), the direction m / |m|, and what gradients need."""
    for i in range(BLOCK):
        dx, dy = w[_DX + i], w[_DY + i]
        D = 1.0 / max(1.0 - c[1] * dx - c[2] * dy, 0.2)
        u = (p[2] * dx + p[3] * dy) * D + 1e-9  # off the centre, where no direction is defined
        v = (p[4] * dx + p[5] * dy) * D
        rho = math.sqrt(u * u + v * v)
        inverse = 1.0 / rho
        u *= inverse
        v *= inverse
        gx = (u * p[2] + v * p[4] + rho * c[1]) * D
        gy = (u * p[3] + v * p[5] + rho * c[2]) * D
        g2 = 1.0 / (gx * gx + gy * gy)
        w[_D + i], w[_U + i], w[_V + i] = D, u, v
        w[_RHO + i], w[_K + i] = rho, math.sqrt(g2) * c[0]
        w[_GX + i], w[_GY + i], w[_G2 + i] = gx, gy, g2


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _outward(p: Array, w: Array) -> None:
    """J[0..5] for a grey that changes by row _WEIGHT with |m| and by _ALONG with log k.

    The change of k leaves the perspective out; it vanishes on the outline itself.
    """
    for i in range(BLOCK):
        u, v, gx, gy, g2 = w[_U + i], w[_V + i], w[_GX + i], w[_GY + i], w[_G2 + i]
        weight, along = w[_WEIGHT + i], w[_ALONG + i]
        over = along / w[_RHO + i]
        eu = over * (u - (p[2] * gx + p[3] * gy) * g2)
        ev = over * (v - (p[4] * gx + p[5] * gy) * g2)
        kx, ky = along * g2 * gx, along * g2 * gy
        wu, wv = weight * u * w[_D + i] + eu, weight * v * w[_D + i] + ev
        w[J + i] = -weight * gx - eu * p[2] - ev * p[4]
        w[J + BLOCK + i] = -weight * gy - eu * p[3] - ev * p[5]
        w[J + 2 * BLOCK + i] = wu * w[_DX + i] - kx * u
        w[J + 3 * BLOCK + i] = wu * w[_DY + i] - ky * u
        w[J + 4 * BLOCK + i] = wv * w[_DX + i] - kx * v
        w[J + 5 * BLOCK + i] = wv * w[_DY + i] - ky * v


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _blank(w: Array, first: int, last: int) -> None:
    """Derivatives first..last are zero."""
    for i in range(J + first * BLOCK, J + (last + 1) * BLOCK):
        w[i] = 0.0


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _quadrant(p: Array, q: Array, c: Array, w: Array) -> None:
    half, outline = 0.5 * p[8], int(q[5])
    # rows _A: what is inside the outline, _B: indicator of the outline, _C: s d/ds of that times _A
    if outline == DISC:
        _circle(p, c, w)
        for i in range(BLOCK):
            w[_Z1 + i] = (1.0 - w[_RHO + i]) * w[_K + i]
        _edges(w, _Z1, _B, _F1)
        for i in range(BLOCK):
            w[_E + i] = w[_Z1 + i]
            w[_ES + i] = w[_F1 + i]
    elif outline != NONE:
        _plane(p, c, w)
    for i in range(BLOCK):
        w[_Z1 + i] = (c[5] * w[_DX + i] + c[6] * w[_DY + i]) * c[0]
        w[_Z2 + i] = (c[10] * w[_DX + i] + c[11] * w[_DY + i]) * c[0]
    _edges(w, _Z1, _E1, _F1)
    _edges(w, _Z2, _E2, _F2)
    for i in range(BLOCK):
        a, b = 2.0 * w[_E1 + i] - 1.0, 2.0 * w[_E2 + i] - 1.0
        w[_A + i] = p[11] + half * a * b
        w[_AU + i] = w[_F1 + i] * b * (2.0 * half * c[0])
        w[_AS + i] = w[_F2 + i] * a * (2.0 * half * c[0])
        w[_AH + i] = 0.5 * a * b
    if outline == DISC:
        for i in range(BLOCK):
            m = w[_ES + i] * w[_A + i]
            w[_WEIGHT + i] = -m * w[_K + i]
            w[_ALONG + i] = m * w[_E + i]
            w[_C + i] = -m * w[_E + i]
        _outward(p, w)
    elif outline == NONE:
        for i in range(BLOCK):
            w[_B + i], w[_C + i] = 1.0, 0.0
        _blank(w, 0, 5)
    elif outline == SQUARE:
        _square(p, c, w)
    else:
        _flat(p, c, w)
    for i in range(BLOCK):
        dx, dy, M = w[_DX + i], w[_DY + i], w[_B + i]
        f1, f2 = w[_AU + i] * M, w[_AS + i] * M
        d1, d2 = c[5] * dx + c[6] * dy, c[10] * dx + c[11] * dy
        w[J + i] -= f1 * c[5] + f2 * c[10]
        w[J + BLOCK + i] -= f1 * c[6] + f2 * c[11]
        t1x, t1y = f1 * (dx - d1 * c[5]) * c[7], f1 * (dy - d1 * c[6]) * c[7]
        t2x, t2y = f2 * (dx - d2 * c[10]) * c[12], f2 * (dy - d2 * c[11]) * c[12]
        w[J + 2 * BLOCK + i] += c[8] * t1x + c[13] * t2x
        w[J + 3 * BLOCK + i] += c[8] * t1y + c[13] * t2y
        w[J + 4 * BLOCK + i] += c[9] * t1x + c[14] * t2x
        w[J + 5 * BLOCK + i] += c[9] * t1y + c[14] * t2y
        w[J + 6 * BLOCK + i] = (w[_C + i] - (f1 * d1 + f2 * d2)) * c[0]
        w[J + 7 * BLOCK + i] = 1.0
        w[J + 8 * BLOCK + i] = M * w[_AH + i]
        w[J + 11 * BLOCK + i] = M
        turn1 = -c[9] * (p[2] * t1x + p[3] * t1y) + c[8] * (p[4] * t1x + p[5] * t1y)
        turn2 = -c[14] * (p[2] * t2x + p[3] * t2y) + c[13] * (p[4] * t2x + p[5] * t2y)
        w[J + 12 * BLOCK + i] = 0.5 * (turn1 - turn2)
        w[MODEL + i] = p[7] + M * w[_A + i]
    _blank(w, 13, 15)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _widths(c: Array, w: Array) -> None:
    """Mark units u and v to standard deviations of an edge across them: k of `_strip`."""
    for i in range(BLOCK):
        w[_KU + i] = c[0] / math.sqrt(w[_UX + i] * w[_UX + i] + w[_UY + i] * w[_UY + i])
        w[_KV + i] = c[0] / math.sqrt(w[_VX + i] * w[_VX + i] + w[_VY + i] * w[_VY + i])


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _along_sides(p: Array, c: Array, w: Array) -> None:
    """J[0..5] for a grey that changes by rows _WU, _WV with u and v, and by _SU, _SV with the log
    of their k.
    """
    nu, nv = 1.0 / (c[3] * c[3]), 1.0 / (c[4] * c[4])
    for i in range(BLOCK):
        dx, dy = w[_DX + i], w[_DY + i]
        wu, wv = w[_WU + i], w[_WV + i]
        w[J + i] = -(wu * w[_UX + i] + wv * w[_VX + i])
        w[J + BLOCK + i] = -(wu * w[_UY + i] + wv * w[_VY + i])
        wu, wv = wu * w[_D + i], wv * w[_D + i]
        w[J + 2 * BLOCK + i] = wu * dx + w[_SU + i] * nu * p[2]
        w[J + 3 * BLOCK + i] = wu * dy + w[_SU + i] * nu * p[3]
        w[J + 4 * BLOCK + i] = wv * dx + w[_SV + i] * nv * p[4]
        w[J + 5 * BLOCK + i] = wv * dy + w[_SV + i] * nv * p[5]


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _square(p: Array, c: Array, w: Array) -> None:
    """Rows _B and _C and J[0..5] of a quadrant's square outline."""
    _widths(c, w)
    _strip(w, _U, _KU, 1.0, _C)
    _strip(w, _V, _KV, 1.0, _E)
    for i in range(BLOCK):
        inner, U, V = w[_A + i], w[_C + i], w[_E + i]
        wu, wv = w[_CU + i] * V * inner, U * w[_EU + i] * inner
        su, sv = w[_CS + i] * V * inner, U * w[_ES + i] * inner
        w[_WU + i], w[_WV + i], w[_SU + i], w[_SV + i] = wu, wv, su, sv
        w[_B + i] = U * V
        w[_C + i] = su + sv
    _along_sides(p, c, w)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _flat(p: Array, c: Array, w: Array) -> None:
    """Rows _B and _C and J[0..5] of an hourglass's flat ends."""
    for i in range(BLOCK):
        hx, hy = (w[_UX + i] + w[_VX + i]) * _DIAGONAL, (w[_UY + i] + w[_VY + i]) * _DIAGONAL
        w[_GX + i], w[_GY + i] = hx, hy
        w[_G2 + i] = hx * hx + hy * hy
        w[_KU + i] = c[0] / math.sqrt(w[_G2 + i])
        w[_RHO + i] = (w[_U + i] + w[_V + i]) * _DIAGONAL
    _strip(w, _RHO, _KU, 1.0, _E)
    for i in range(BLOCK):
        wu, su = w[_EU + i] * w[_A + i], w[_ES + i] * w[_A + i]
        w[J + i], w[J + BLOCK + i] = -wu * w[_GX + i], -wu * w[_GY + i]
        wu *= _DIAGONAL * w[_D + i]
        ku = su * _DIAGONAL / w[_G2 + i]
        jx, jy = wu * w[_DX + i] + ku * w[_GX + i], wu * w[_DY + i] + ku * w[_GY + i]
        w[J + 2 * BLOCK + i], w[J + 3 * BLOCK + i] = jx, jy
        w[J + 4 * BLOCK + i], w[J + 5 * BLOCK + i] = jx, jy
        w[_B + i], w[_C + i] = w[_E + i], su


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _rings(p: Array, q: Array, c: Array, w: Array) -> None:
    _circle(p, c, w)
    _blank(w, 11, 15)
    for i in range(BLOCK):
        w[_Z1 + i] = (1.0 - w[_RHO + i]) * w[_K + i]
    _edges(w, _Z1, _A, _WEIGHT)
    for i in range(BLOCK):
        w[_ALONG + i] = w[_WEIGHT + i] * w[_Z1 + i]
    for n in range(int(q[6])):
        radius, step = p[11 + 2 * n], p[12 + 2 * n]
        by = J + (11 + 2 * n) * BLOCK
        for i in range(BLOCK):
            w[_Z1 + i] = (radius - w[_RHO + i]) * w[_K + i]
        _edges(w, _Z1, _E1, _F1)
        for i in range(BLOCK):
            w[_A + i] += step * w[_E1 + i]
            w[_WEIGHT + i] += step * w[_F1 + i]
            w[_ALONG + i] += step * w[_F1 + i] * w[_Z1 + i]
            w[by + i] = p[8] * step * w[_F1 + i] * w[_K + i]
            w[by + BLOCK + i] = p[8] * w[_E1 + i]
    for i in range(BLOCK):
        w[_WEIGHT + i] *= -p[8] * w[_K + i]
        w[_ALONG + i] *= p[8]
        w[J + 6 * BLOCK + i] = -w[_ALONG + i] * c[0]
        w[J + 7 * BLOCK + i] = 1.0
        w[J + 8 * BLOCK + i] = w[_A + i]
        w[MODEL + i] = p[7] + p[8] * w[_A + i]
    _outward(p, w)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _cross(p: Array, c: Array, w: Array) -> None:
    h = p[11]
    _plane(p, c, w)
    _widths(c, w)
    _strip(w, _U, _KU, h, _A)
    _strip(w, _V, _KV, 1.0, _B)
    _strip(w, _V, _KV, h, _C)
    _strip(w, _U, _KU, 1.0, _E)
    for i in range(BLOCK):
        A, B, C, E = w[_A + i], w[_B + i], w[_C + i], w[_E + i]
        a, b = A * B, C * E
        ra, rb = p[8] * (1.0 - b), p[8] * (1.0 - a)
        wu = ra * w[_AU + i] * B + rb * C * w[_EU + i]
        wv = ra * A * w[_BU + i] + rb * w[_CU + i] * E
        su = ra * w[_AS + i] * B + rb * C * w[_ES + i]
        sv = ra * A * w[_BS + i] + rb * w[_CS + i] * E
        w[_WU + i], w[_WV + i], w[_SU + i], w[_SV + i] = wu, wv, su, sv
        w[J + 6 * BLOCK + i] = (su + sv) * c[0]
        w[J + 7 * BLOCK + i] = 1.0
        w[J + 8 * BLOCK + i] = a + b - a * b
        w[J + 11 * BLOCK + i] = ra * w[_AH + i] * B + rb * w[_CH + i] * E
        w[MODEL + i] = p[7] + p[8] * w[J + 8 * BLOCK + i]
    _along_sides(p, c, w)
    _blank(w, 12, 15)


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
def _patch(p: Array, q: Array, template: Array, w: Array) -> None:
    n, scale = int(q[6]), q[7]
    for k in range(BLOCK):
        dx, dy = w[_DX + k], w[_DY + k]
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
    _blank(w, 11, 15)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _still(
    kind: int, p: Array, q: Array, c: Array, template: Array, along: float, w: Array
) -> None:
    """Grey and derivatives with the mark `along` of its motion from the middle."""
    x, y = p[0] + along * q[2], p[1] + along * q[3]
    for i in range(BLOCK):
        w[_DX + i] = w[X + i] - x
        w[_DY + i] = w[Y + i] - y
    if kind == QUADRANT:
        _quadrant(p, q, c, w)
    elif kind == RINGS:
        _rings(p, q, c, w)
    elif kind == CROSS:
        _cross(p, c, w)
    else:
        _patch(p, q, template, w)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def grey(kind: int, p: Array, q: Array, c: Array, template: Array, w: Array) -> None:
    """Rows MODEL and J (16) of w: grey of the pixels in rows X and Y, and its derivatives by p.

    c (16) comes from `prepare`.
    """
    steps = int(q[4])
    if steps == 0:
        _still(kind, p, q, c, template, 0.0, w)
    else:
        for i in range(17 * BLOCK):
            w[_SUM + i] = 0.0
        for n in range(2 * steps):
            along = (n // 2 + 0.5 + (n % 2 - 0.5) * _GAUSS) / steps - 0.5
            _still(kind, p, q, c, template, along, w)
            for i in range(17 * BLOCK):
                w[_SUM + i] += w[MODEL + i]
        for i in range(17 * BLOCK):
            w[MODEL + i] = w[_SUM + i] / (2 * steps)
    for i in range(BLOCK):
        # Moving the mark moves the lighting with it; the greys take that up exactly, so it is
        # left out.
        dx, dy = w[X + i] - p[0], w[Y + i] - p[1]
        w[_ALONG + i] = 1.0 + p[9] * dx + p[10] * dy
        w[J + 9 * BLOCK + i] = w[MODEL + i] * dx
        w[J + 10 * BLOCK + i] = w[MODEL + i] * dy
        w[MODEL + i] *= w[_ALONG + i]
    for a in range(PARAMETERS):
        if a != 9 and a != 10:
            for i in range(BLOCK):
                w[J + a * BLOCK + i] *= w[_ALONG + i]
