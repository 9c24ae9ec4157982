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


@njit(cache=True, inline="always", error_model="numpy")
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


@njit(cache=True, inline="always", error_model="numpy")
def _strip(u: float, h: float, g: float, s: float) -> tuple[float, float, float, float]:
    """Blurred indicator of |u| < h, g = units for a pixel; d/du, d/ds, d/dh."""
    k = 1.0 / (g * s)
    z1, z2 = (h - u) * k, (h + u) * k
    a, da = _edge(z1)
    b, db = _edge(z2)
    return a + b - 1.0, (db - da) * k, -(da * z1 + db * z2) / s, (da + db) * k


@njit(cache=True, inline="always", error_model="numpy")
def _line(
    p: Array, angle: float, dx: float, dy: float, s: float
) -> tuple[float, float, float, float, float, float, float, float]:
    """E = 2 Phi - 1 across a line through the centre whose normal has this angle in mark units.

    Returns E, dE/dd, d, the normal in the picture (2), cos and sin of the angle, length of W^T n.
    """
    cos, sin = math.cos(angle), math.sin(angle)
    nx = p[2] * cos + p[4] * sin
    ny = p[3] * cos + p[5] * sin
    length = math.sqrt(nx * nx + ny * ny)
    nx /= length
    ny /= length
    d = nx * dx + ny * dy
    a, da = _edge(d / s)
    return 2.0 * a - 1.0, 2.0 * da / s, d, nx, ny, cos, sin, length


@njit(cache=True, error_model="numpy")
def _quadrant(p: Array, q: Array, dx: float, dy: float, J: Array) -> float:
    s = p[6]
    E1, e1, d1, n1x, n1y, c1, s1, l1 = _line(p, 0.5 * p[12] - 0.25 * math.pi, dx, dy, s)
    E2, e2, d2, n2x, n2y, c2, s2, l2 = _line(p, 0.75 * math.pi - 0.5 * p[12], dx, dy, s)
    M, a2, a3, a4, a5, ax, ay, a6 = 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    outline = int(q[5])
    if outline != NONE:
        D = 1.0 - ((p[2] * q[0] + p[4] * q[1]) * dx + (p[3] * q[0] + p[5] * q[1]) * dy)
        D = max(D, 0.2)
        qx = p[2] * q[0] + p[4] * q[1]
        qy = p[3] * q[0] + p[5] * q[1]
        u = (p[2] * dx + p[3] * dy) / D
        v = (p[4] * dx + p[5] * dy) / D
        ux, uy = (p[2] + u * qx) / D, (p[3] + u * qy) / D
        vx, vy = (p[4] + v * qx) / D, (p[5] + v * qy) / D
        if outline == DISC:
            rho = math.sqrt(u * u + v * v) + 1e-12
            gx, gy = (u * ux + v * vx) / rho, (u * uy + v * vy) / rho
            k = 1.0 / (math.sqrt(gx * gx + gy * gy) * s)
            z = (1.0 - rho) * k
            M, m = _edge(z)
            w = -m * k
            ax, ay = -w * gx, -w * gy
            a2, a3, a4, a5 = (
                w * u * dx / (rho * D),
                w * u * dy / (rho * D),
                w * v * dx / (rho * D),
                w * v * dy / (rho * D),
            )
            a6 = -m * z / s
        elif outline == SQUARE:
            U, Uu, Us, _ = _strip(u, 1.0, math.sqrt(ux * ux + uy * uy), s)
            V, Vv, Vs, _ = _strip(v, 1.0, math.sqrt(vx * vx + vy * vy), s)
            M = U * V
            wu, wv = Uu * V, U * Vv
            ax, ay = -(wu * ux + wv * vx), -(wu * uy + wv * vy)
            a2, a3, a4, a5 = wu * dx / D, wu * dy / D, wv * dx / D, wv * dy / D
            a6 = Us * V + U * Vs
        else:
            hx, hy = (ux + vx) * _DIAGONAL, (uy + vy) * _DIAGONAL
            M, wu, a6, _ = _strip((u + v) * _DIAGONAL, 1.0, math.sqrt(hx * hx + hy * hy), s)
            ax, ay = -wu * hx, -wu * hy
            wu *= _DIAGONAL
            a2, a3, a4, a5 = wu * dx / D, wu * dy / D, wu * dx / D, wu * dy / D
    half = 0.5 * p[8]
    inner = p[11] + half * E1 * E2
    f1, f2 = M * half * e1 * E2, M * half * E1 * e2
    J[0] = -f1 * n1x - f2 * n2x + inner * ax
    J[1] = -f1 * n1y - f2 * n2y + inner * ay
    t1x, t1y = f1 * (dx - d1 * n1x) / l1, f1 * (dy - d1 * n1y) / l1
    t2x, t2y = f2 * (dx - d2 * n2x) / l2, f2 * (dy - d2 * n2y) / l2
    J[2] = c1 * t1x + c2 * t2x + inner * a2
    J[3] = c1 * t1y + c2 * t2y + inner * a3
    J[4] = s1 * t1x + s2 * t2x + inner * a4
    J[5] = s1 * t1y + s2 * t2y + inner * a5
    J[6] = -(f1 * d1 + f2 * d2) / s + inner * a6
    J[7] = 1.0
    J[8] = 0.5 * M * E1 * E2
    J[11] = M
    turn1 = -s1 * (p[2] * t1x + p[3] * t1y) + c1 * (p[4] * t1x + p[5] * t1y)
    turn2 = -s2 * (p[2] * t2x + p[3] * t2y) + c2 * (p[4] * t2x + p[5] * t2y)
    J[12] = 0.5 * (turn1 - turn2)
    J[13] = 0.0
    J[14] = 0.0
    J[15] = 0.0
    return float(p[7] + M * inner)


@njit(cache=True, error_model="numpy")
def _rings(p: Array, q: Array, dx: float, dy: float, J: Array) -> float:
    s = p[6]
    qx = p[2] * q[0] + p[4] * q[1]
    qy = p[3] * q[0] + p[5] * q[1]
    D = max(1.0 - qx * dx - qy * dy, 0.2)
    u = (p[2] * dx + p[3] * dy) / D
    v = (p[4] * dx + p[5] * dy) / D
    rho = math.sqrt(u * u + v * v) + 1e-12
    gx = (u * (p[2] + u * qx) + v * (p[4] + v * qx)) / (D * rho)
    gy = (u * (p[3] + u * qy) + v * (p[5] + v * qy)) / (D * rho)
    k = 1.0 / (math.sqrt(gx * gx + gy * gy) * s)
    M, m = _edge((1.0 - rho) * k)
    w = m
    blur = -m * (1.0 - rho) * k / s
    J[11] = J[12] = J[13] = J[14] = J[15] = 0.0
    for i in range(int(q[6])):
        z = (p[11 + 2 * i] - rho) * k
        a, da = _edge(z)
        step = p[12 + 2 * i]
        M += step * a
        w += step * da
        blur -= step * da * z / s
        J[11 + 2 * i] = p[8] * step * da * k
        J[12 + 2 * i] = p[8] * a
    w *= -k * p[8]
    J[0] = -w * gx
    J[1] = -w * gy
    w /= rho * D
    J[2] = w * u * dx
    J[3] = w * u * dy
    J[4] = w * v * dx
    J[5] = w * v * dy
    J[6] = p[8] * blur
    J[7] = 1.0
    J[8] = M
    return float(p[7] + p[8] * M)


@njit(cache=True, error_model="numpy")
def _cross(p: Array, q: Array, dx: float, dy: float, J: Array) -> float:
    s, h = p[6], p[11]
    qx = p[2] * q[0] + p[4] * q[1]
    qy = p[3] * q[0] + p[5] * q[1]
    D = max(1.0 - qx * dx - qy * dy, 0.2)
    u = (p[2] * dx + p[3] * dy) / D
    v = (p[4] * dx + p[5] * dy) / D
    ux, uy = (p[2] + u * qx) / D, (p[3] + u * qy) / D
    vx, vy = (p[4] + v * qx) / D, (p[5] + v * qy) / D
    gu, gv = math.sqrt(ux * ux + uy * uy), math.sqrt(vx * vx + vy * vy)
    A, Au, As, Ah = _strip(u, h, gu, s)
    B, Bv, Bs, _ = _strip(v, 1.0, gv, s)
    C, Cv, Cs, Ch = _strip(v, h, gv, s)
    E, Eu, Es, _ = _strip(u, 1.0, gu, s)
    a, b = A * B, C * E
    M = a + b - a * b
    ra, rb = p[8] * (1.0 - b), p[8] * (1.0 - a)
    wu = ra * Au * B + rb * C * Eu
    wv = ra * A * Bv + rb * Cv * E
    J[0] = -(wu * ux + wv * vx)
    J[1] = -(wu * uy + wv * vy)
    J[2] = wu * dx / D
    J[3] = wu * dy / D
    J[4] = wv * dx / D
    J[5] = wv * dy / D
    J[6] = ra * (As * B + A * Bs) + rb * (Cs * E + C * Es)
    J[7] = 1.0
    J[8] = M
    J[11] = ra * Ah * B + rb * Ch * E
    J[12] = J[13] = J[14] = J[15] = 0.0
    return float(p[7] + p[8] * M)


@njit(cache=True, inline="always", error_model="numpy")
def _taps(t: float) -> tuple[float, float, float, float]:
    """Weights of the four coefficients of a cubic B-spline at the fraction t (Unser 1999)."""
    r = 1.0 - t
    return (
        r * r * r / 6.0,
        2.0 / 3.0 - 0.5 * t * t * (2.0 - t),
        2.0 / 3.0 - 0.5 * r * r * (2.0 - r),
        t * t * t / 6.0,
    )


@njit(cache=True, inline="always", error_model="numpy")
def _slopes(t: float) -> tuple[float, float, float, float]:
    r = 1.0 - t
    return -0.5 * r * r, t * (1.5 * t - 2.0), -r * (1.5 * r - 2.0), 0.5 * t * t


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, inline="always", error_model="numpy")
def _still(kind: int, p: Array, q: Array, template: Array, dx: float, dy: float, J: Array) -> float:
    if kind == QUADRANT:
        return _quadrant(p, q, dx, dy, J)
    if kind == RINGS:
        return _rings(p, q, dx, dy, J)
    if kind == CROSS:
        return _cross(p, q, dx, dy, J)
    return _patch(p, q, template, dx, dy, J)


@njit(cache=True, error_model="numpy")
def grey(
    kind: int, p: Array, q: Array, template: Array, x: float, y: float, J: Array, K: Any
) -> float:
    """Grey of the pixel at (x, y); fills J (16) with its derivatives by p; K (16) is room."""
    dx, dy = x - p[0], y - p[1]
    steps = int(q[4])
    if steps == 0:
        f = _still(kind, p, q, template, dx, dy, J)
    else:
        f = 0.0
        J[:] = 0.0
        part = 1.0 / steps
        for i in range(2 * steps):
            middle = (i // 2 + 0.5) * part - 0.5
            t = middle + (i % 2 - 0.5) * part * _GAUSS
            f += _still(kind, p, q, template, dx - t * q[2], dy - t * q[3], K)
            for a in range(PARAMETERS):
                J[a] += K[a]
        f *= 0.5 * part
        for a in range(PARAMETERS):
            J[a] *= 0.5 * part
    light = 1.0 + p[9] * dx + p[10] * dy
    for a in range(PARAMETERS):
        J[a] *= light
    # Moving the mark moves the lighting with it; the greys take that up exactly, so it is left out.
    J[9] = f * dx
    J[10] = f * dy
    return float(f * light)
