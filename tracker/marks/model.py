"""The grey that a mark of known shape gives a pixel, and its derivatives, compiled.

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
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit

from calibration.camera import Array

PARAMETERS = 16
LEARNT = 12
"""Parameters from here on belong to the paint: learnt once, then held (11 may, too)."""
CONSTANTS = 8
QUADRANT, RINGS, CROSS, PATCH = 0, 1, 2, 3
NONE, DISC, SQUARE, FLAT = 0, 1, 2, 3

_REACH = 4.25  # standard deviations beyond which an edge is flat: 1 - Phi(4.25) = 1e-5
_FINE = 128  # table entries for one standard deviation: linear interpolation is good to 2e-6
_Z = np.arange(-_REACH, _REACH + 2.0 / _FINE, 1.0 / _FINE)
_DENSITY = np.exp(-0.5 * _Z * _Z) / math.sqrt(2.0 * math.pi)
_CUMULATIVE = np.array([0.5 * (1.0 + math.erf(z / math.sqrt(2.0))) for z in _Z])
_EDGE = np.stack([_CUMULATIVE, _DENSITY], axis=1)
_GAUSS = 1.0 / math.sqrt(3.0)
_DIAGONAL = math.sqrt(0.5)
FAST = {"contract", "reassoc", "arcp", "nsz"}
"""Liberties the compiler may take: none that supposes there are no infinities."""


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
def _edge(z: float) -> tuple[float, float]:
    """Phi(z) and its derivative."""
    if z >= _REACH:
        return 1.0, 0.0
    if z <= -_REACH:
        return 0.0, 0.0
    t = (z + _REACH) * _FINE
    i = int(t)
    a = t - i
    return (
        _EDGE[i, 0] + a * (_EDGE[i + 1, 0] - _EDGE[i, 0]),
        _EDGE[i, 1] + a * (_EDGE[i + 1, 1] - _EDGE[i, 1]),
    )


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
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


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
def _strip(u: float, h: float, k: float) -> tuple[float, float, float, float]:
    """Blurred indicator of |u| < h, k = 1/(g s), g units for a pixel; d/du, s d/ds, d/dh."""
    z1, z2 = (h - u) * k, (h + u) * k
    a, da = _edge(z1)
    b, db = _edge(z2)
    return a + b - 1.0, (db - da) * k, -(da * z1 + db * z2), (da + db) * k


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
def _circle(p: Array, c: Array, dx: float, dy: float) -> tuple[float, ...]:
    """Radius |m|, pixels to standard deviations of the edge for one unit, and what gradients need.

    Returns |m|, k = 1/(|grad |m|| s), m / |m| / D (2), grad |m| (2), 1/|grad|², 1/|m|.
    """
    D = 1.0 / max(1.0 - c[1] * dx - c[2] * dy, 0.2)
    u = (p[2] * dx + p[3] * dy) * D + 1e-9  # off the centre, where no direction is defined
    v = (p[4] * dx + p[5] * dy) * D
    rho = math.sqrt(u * u + v * v)
    inverse = 1.0 / rho
    u *= inverse
    v *= inverse
    gx = (u * p[2] + v * p[4] + rho * c[1]) * D
    gy = (u * p[3] + v * p[5] + rho * c[2]) * D
    g = 1.0 / math.sqrt(gx * gx + gy * gy)
    return rho, g * c[0], u, v, D, gx, gy, g * g, inverse


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
def _outward(
    p: Array, dx: float, dy: float, round_: tuple[float, ...], w: float, along: float, J: Array
) -> None:
    """Fill J[0..5] for a grey that changes by w with |m| and by `along` with log k.

    The change of k leaves the perspective out; it vanishes on the outline itself.
    """
    _, _, u, v, D, gx, gy, g2, inverse = round_
    eu = along * inverse * (u - (p[2] * gx + p[3] * gy) * g2)
    ev = along * inverse * (v - (p[4] * gx + p[5] * gy) * g2)
    kx, ky = along * g2 * gx, along * g2 * gy
    wu, wv = w * u * D + eu, w * v * D + ev
    J[0] = -w * gx - eu * p[2] - ev * p[4]
    J[1] = -w * gy - eu * p[3] - ev * p[5]
    J[2] = wu * dx - kx * u
    J[3] = wu * dy - ky * u
    J[4] = wv * dx - kx * v
    J[5] = wv * dy - ky * v


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
def _quadrant(p: Array, q: Array, c: Array, dx: float, dy: float, J: Array) -> float:
    d1, d2 = c[5] * dx + c[6] * dy, c[10] * dx + c[11] * dy
    E1, e1 = _edge(d1 * c[0])
    E2, e2 = _edge(d2 * c[0])
    E1, E2 = 2.0 * E1 - 1.0, 2.0 * E2 - 1.0
    half = 0.5 * p[8]
    inner = p[11] + half * E1 * E2
    M, blur = 1.0, 0.0
    outline = int(q[5])
    for a in range(PARAMETERS):
        J[a] = 0.0
    if outline == DISC:
        round_ = _circle(p, c, dx, dy)
        z = (1.0 - round_[0]) * round_[1]
        M, m = _edge(z)
        if m > 0.0:
            m *= inner
            blur = -m * z
            _outward(p, dx, dy, round_, -m * round_[1], m * z, J)
    elif outline != NONE:
        M, blur = _straight(p, c, outline, inner, dx, dy, J)
    e1 *= M * half * 2.0 * c[0]
    e2 *= M * half * 2.0 * c[0]
    f1, f2 = e1 * E2, e2 * E1
    J[0] -= f1 * c[5] + f2 * c[10]
    J[1] -= f1 * c[6] + f2 * c[11]
    t1x, t1y = f1 * (dx - d1 * c[5]) * c[7], f1 * (dy - d1 * c[6]) * c[7]
    t2x, t2y = f2 * (dx - d2 * c[10]) * c[12], f2 * (dy - d2 * c[11]) * c[12]
    J[2] += c[8] * t1x + c[13] * t2x
    J[3] += c[8] * t1y + c[13] * t2y
    J[4] += c[9] * t1x + c[14] * t2x
    J[5] += c[9] * t1y + c[14] * t2y
    J[6] = (blur - (f1 * d1 + f2 * d2)) * c[0]
    J[7] = 1.0
    J[8] = 0.5 * M * E1 * E2
    J[11] = M
    turn1 = -c[9] * (p[2] * t1x + p[3] * t1y) + c[8] * (p[4] * t1x + p[5] * t1y)
    turn2 = -c[14] * (p[2] * t2x + p[3] * t2y) + c[13] * (p[4] * t2x + p[5] * t2y)
    J[12] = 0.5 * (turn1 - turn2)
    return float(p[7] + M * inner)


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
def _straight(
    p: Array, c: Array, outline: int, inner: float, dx: float, dy: float, J: Array
) -> tuple[float, float]:
    """Indicator of a square or of flat ends; fills J[0..5] for `inner` times it; s d/ds of that."""
    D = 1.0 / max(1.0 - c[1] * dx - c[2] * dy, 0.2)
    u = (p[2] * dx + p[3] * dy) * D
    v = (p[4] * dx + p[5] * dy) * D
    ux, uy = (p[2] + u * c[1]) * D, (p[3] + u * c[2]) * D
    vx, vy = (p[4] + v * c[1]) * D, (p[5] + v * c[2]) * D
    if outline == SQUARE:
        U, Uu, Us, _ = _strip(u, 1.0, c[0] / math.sqrt(ux * ux + uy * uy))
        V, Vv, Vs, _ = _strip(v, 1.0, c[0] / math.sqrt(vx * vx + vy * vy))
        M = U * V
        wu, wv = Uu * V * inner, U * Vv * inner
        su, sv = Us * V * inner, U * Vs * inner
        J[0], J[1] = -(wu * ux + wv * vx), -(wu * uy + wv * vy)
        wu, wv = wu * D, wv * D
        ku, kv = su / (c[3] * c[3]), sv / (c[4] * c[4])
        J[2], J[3] = wu * dx + ku * p[2], wu * dy + ku * p[3]
        J[4], J[5] = wv * dx + kv * p[4], wv * dy + kv * p[5]
        return M, su + sv
    hx, hy = (ux + vx) * _DIAGONAL, (uy + vy) * _DIAGONAL
    g2 = hx * hx + hy * hy
    M, wu, su, _ = _strip((u + v) * _DIAGONAL, 1.0, c[0] / math.sqrt(g2))
    wu, su = wu * inner, su * inner
    J[0], J[1] = -wu * hx, -wu * hy
    wu *= _DIAGONAL * D
    ku = su * _DIAGONAL / g2
    J[2] = J[4] = wu * dx + ku * hx
    J[3] = J[5] = wu * dy + ku * hy
    return M, su


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
def _rings(p: Array, q: Array, c: Array, dx: float, dy: float, J: Array) -> float:
    round_ = _circle(p, c, dx, dy)
    rho, k = round_[0], round_[1]
    z = (1.0 - rho) * k
    M, w = _edge(z)
    along = w * z
    for a in range(PARAMETERS):
        J[a] = 0.0
    for i in range(int(q[6])):
        z = (p[11 + 2 * i] - rho) * k
        phi, da = _edge(z)
        step = p[12 + 2 * i]
        M += step * phi
        w += step * da
        along += step * da * z
        J[11 + 2 * i] = p[8] * step * da * k
        J[12 + 2 * i] = p[8] * phi
    if w != 0.0 or along != 0.0:
        along *= p[8]
        _outward(p, dx, dy, round_, -w * k * p[8], along, J)
        J[6] = -along * c[0]
    J[7] = 1.0
    J[8] = M
    return float(p[7] + p[8] * M)


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
def _cross(p: Array, c: Array, dx: float, dy: float, J: Array) -> float:
    h = p[11]
    D = 1.0 / max(1.0 - c[1] * dx - c[2] * dy, 0.2)
    u = (p[2] * dx + p[3] * dy) * D
    v = (p[4] * dx + p[5] * dy) * D
    ux, uy = (p[2] + u * c[1]) * D, (p[3] + u * c[2]) * D
    vx, vy = (p[4] + v * c[1]) * D, (p[5] + v * c[2]) * D
    gu, gv = c[0] / math.sqrt(ux * ux + uy * uy), c[0] / math.sqrt(vx * vx + vy * vy)
    A, Au, As, Ah = _strip(u, h, gu)
    B, Bv, Bs, _ = _strip(v, 1.0, gv)
    C, Cv, Cs, Ch = _strip(v, h, gv)
    E, Eu, Es, _ = _strip(u, 1.0, gu)
    a, b = A * B, C * E
    ra, rb = p[8] * (1.0 - b), p[8] * (1.0 - a)
    wu = ra * Au * B + rb * C * Eu
    wv = ra * A * Bv + rb * Cv * E
    su, sv = ra * As * B + rb * C * Es, ra * A * Bs + rb * Cs * E
    J[0] = -(wu * ux + wv * vx)
    J[1] = -(wu * uy + wv * vy)
    wu, wv = wu * D, wv * D
    ku, kv = su / (c[3] * c[3]), sv / (c[4] * c[4])
    J[2], J[3] = wu * dx + ku * p[2], wu * dy + ku * p[3]
    J[4], J[5] = wv * dx + kv * p[4], wv * dy + kv * p[5]
    J[6] = (su + sv) * c[0]
    J[7] = 1.0
    J[8] = a + b - a * b
    J[11] = ra * Ah * B + rb * Ch * E
    J[12] = J[13] = J[14] = J[15] = 0.0
    return float(p[7] + p[8] * J[8])


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
def _taps(t: float) -> tuple[float, float, float, float]:
    """Weights of the four coefficients of a cubic B-spline at the fraction t (Unser 1999)."""
    r = 1.0 - t
    return (
        r * r * r / 6.0,
        2.0 / 3.0 - 0.5 * t * t * (2.0 - t),
        2.0 / 3.0 - 0.5 * r * r * (2.0 - r),
        t * t * t / 6.0,
    )


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
def _slopes(t: float) -> tuple[float, float, float, float]:
    r = 1.0 - t
    return -0.5 * r * r, t * (1.5 * t - 2.0), -r * (1.5 * r - 2.0), 0.5 * t * t


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
def _patch(p: Array, q: Array, template: Array, dx: float, dy: float, J: Array) -> float:
    n, scale = int(q[6]), q[7]
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
        t = (
            cu[0] * template[row]
            + cu[1] * template[row + 1]
            + cu[2] * template[row + 2]
            + cu[3] * template[row + 3]
        )
        T += cv[a] * t
        Tv += dv[a] * t
        Tu += cv[a] * (
            du[0] * template[row]
            + du[1] * template[row + 1]
            + du[2] * template[row + 2]
            + du[3] * template[row + 3]
        )
    wu, wv = p[8] * scale * Tu, p[8] * scale * Tv
    J[0] = -(wu * p[2] + wv * p[4])
    J[1] = -(wu * p[3] + wv * p[5])
    J[2] = wu * dx
    J[3] = wu * dy
    J[4] = wv * dx
    J[5] = wv * dy
    J[6] = 0.0
    J[7] = 1.0
    J[8] = T
    J[11] = J[12] = J[13] = J[14] = J[15] = 0.0
    return float(p[7] + p[8] * T)


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=FAST)
def grey(
    kind: int, p: Array, q: Array, c: Array, template: Array, x: float, y: float, J: Array, K: Any
) -> float:
    """Grey of the pixel at (x, y); fills J (16) with its derivatives by p.

    c (16) comes from `prepare`; K (16) is room to work.
    """
    dx, dy = x - p[0], y - p[1]
    steps = int(q[4])
    points = max(2 * steps, 1)
    part = 1.0 / max(steps, 1)
    f = 0.0
    D = K if steps > 0 else J
    if steps > 0:
        for a in range(PARAMETERS):
            J[a] = 0.0
    for i in range(points):
        t = 0.0
        if steps > 0:
            t = (i // 2 + 0.5 + (i % 2 - 0.5) * _GAUSS) * part - 0.5
        sx, sy = dx - t * q[2], dy - t * q[3]
        if kind == QUADRANT:
            f += _quadrant(p, q, c, sx, sy, D)
        elif kind == RINGS:
            f += _rings(p, q, c, sx, sy, D)
        elif kind == CROSS:
            f += _cross(p, c, sx, sy, D)
        else:
            f += _patch(p, q, template, sx, sy, D)
        if steps > 0:
            for a in range(PARAMETERS):
                J[a] += K[a]
    light = 1.0 + p[9] * dx + p[10] * dy
    scale = light / points
    for a in range(PARAMETERS):
        J[a] *= scale
    # Moving the mark moves the lighting with it; the greys take that up exactly, so it is left out.
    f /= points
    J[9] = f * dx
    J[10] = f * dy
    return float(f * light)
