"""The grey that a mark of known shape gives its pixels, and its derivatives, compiled.

An edge seen through a Gaussian blur is Phi(d / s), d the signed distance of the pixel's centre from
the edge and s² = blur² + 1/12 (the second moment of the pixel's own area). Crossing edges multiply
(those of a cross seen askew add a little), the lighting plane multiplies everything, and motion
during the exposure is the mean over the path, taken at Gauss-Legendre points. Derivatives are exact
but for the change of the factor that turns mark units into pixels along a curved outline; that
error vanishes on the outline itself.

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

from calibration.arrays import Array
from tracker.marks import workspace
from tracker.marks.edge_profile import FAST, askew, edges, strip
from tracker.marks.texture_model import textured
from tracker.marks.workspace import BLOCK, MODEL, J, X, Y

PARAMETERS = 16
LEARNT = 12
"""Parameters from here on belong to the paint: learnt once, then held (11 may, too)."""
CONSTANTS = 8
QUADRANT, RINGS, CROSS, PATCH = 0, 1, 2, 3
NONE, DISC, SQUARE, FLAT = 0, 1, 2, 3

_GAUSS = 1.0 / math.sqrt(3.0)
_DIAGONAL = math.sqrt(0.5)


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
def _plane(p: Array, c: Array, w: Array) -> None:
    """Mark units u, v of the block and their gradients in the picture."""
    for i in range(BLOCK):
        dx, dy = w[workspace.DX + i], w[workspace.DY + i]
        D = 1.0 / max(1.0 - c[1] * dx - c[2] * dy, 0.2)
        u, v = (p[2] * dx + p[3] * dy) * D, (p[4] * dx + p[5] * dy) * D
        w[workspace.D + i], w[workspace.U + i], w[workspace.V + i] = D, u, v
        w[workspace.UX + i], w[workspace.UY + i] = (p[2] + u * c[1]) * D, (p[3] + u * c[2]) * D
        w[workspace.VX + i], w[workspace.VY + i] = (p[4] + v * c[1]) * D, (p[5] + v * c[2]) * D


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _circle(p: Array, c: Array, w: Array) -> None:
    """Radius |m|, k = 1/(|grad |m|| s), the direction m / |m|, and what gradients need."""
    for i in range(BLOCK):
        dx, dy = w[workspace.DX + i], w[workspace.DY + i]
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
        w[workspace.D + i], w[workspace.U + i], w[workspace.V + i] = D, u, v
        w[workspace.RHO + i], w[workspace.K + i] = rho, math.sqrt(g2) * c[0]
        w[workspace.GX + i], w[workspace.GY + i], w[workspace.G2 + i] = gx, gy, g2


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _outward(p: Array, w: Array) -> None:
    """J[0..5] for a grey that changes by row WEIGHT with |m| and by ALONG with log k.

    The change of k leaves the perspective out; it vanishes on the outline itself.
    """
    for i in range(BLOCK):
        u, v, gx, gy, g2 = (
            w[workspace.U + i],
            w[workspace.V + i],
            w[workspace.GX + i],
            w[workspace.GY + i],
            w[workspace.G2 + i],
        )
        weight, along = w[workspace.WEIGHT + i], w[workspace.ALONG + i]
        over = along / w[workspace.RHO + i]
        eu = over * (u - (p[2] * gx + p[3] * gy) * g2)
        ev = over * (v - (p[4] * gx + p[5] * gy) * g2)
        kx, ky = along * g2 * gx, along * g2 * gy
        wu, wv = weight * u * w[workspace.D + i] + eu, weight * v * w[workspace.D + i] + ev
        w[J + i] = -weight * gx - eu * p[2] - ev * p[4]
        w[J + BLOCK + i] = -weight * gy - eu * p[3] - ev * p[5]
        w[J + 2 * BLOCK + i] = wu * w[workspace.DX + i] - kx * u
        w[J + 3 * BLOCK + i] = wu * w[workspace.DY + i] - ky * u
        w[J + 4 * BLOCK + i] = wv * w[workspace.DX + i] - kx * v
        w[J + 5 * BLOCK + i] = wv * w[workspace.DY + i] - ky * v


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _blank(w: Array, first: int, last: int) -> None:
    """Derivatives first..last are zero."""
    for i in range(J + first * BLOCK, J + (last + 1) * BLOCK):
        w[i] = 0.0


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _quadrant(p: Array, q: Array, c: Array, w: Array) -> None:
    half, outline = 0.5 * p[8], int(q[5])
    # A: what is inside the outline; B: indicator of the outline; C: s d/ds of that times A
    if outline == DISC:
        _circle(p, c, w)
        for i in range(BLOCK):
            w[workspace.Z1 + i] = (1.0 - w[workspace.RHO + i]) * w[workspace.K + i]
        edges(w, workspace.Z1, workspace.B, workspace.F1)
        for i in range(BLOCK):
            w[workspace.E + i] = w[workspace.Z1 + i]
            w[workspace.ES + i] = w[workspace.F1 + i]
    elif outline != NONE:
        _plane(p, c, w)
    for i in range(BLOCK):
        w[workspace.Z1 + i] = (c[5] * w[workspace.DX + i] + c[6] * w[workspace.DY + i]) * c[0]
        w[workspace.Z2 + i] = (c[10] * w[workspace.DX + i] + c[11] * w[workspace.DY + i]) * c[0]
    edges(w, workspace.Z1, workspace.E1, workspace.F1)
    edges(w, workspace.Z2, workspace.E2, workspace.F2)
    for i in range(BLOCK):
        a, b = 2.0 * w[workspace.E1 + i] - 1.0, 2.0 * w[workspace.E2 + i] - 1.0
        w[workspace.A + i] = p[11] + half * a * b
        w[workspace.AU + i] = w[workspace.F1 + i] * b * (2.0 * half * c[0])
        w[workspace.AS + i] = w[workspace.F2 + i] * a * (2.0 * half * c[0])
        w[workspace.AH + i] = 0.5 * a * b
    if outline == DISC:
        for i in range(BLOCK):
            m = w[workspace.ES + i] * w[workspace.A + i]
            w[workspace.WEIGHT + i] = -m * w[workspace.K + i]
            w[workspace.ALONG + i] = m * w[workspace.E + i]
            w[workspace.C + i] = -m * w[workspace.E + i]
        _outward(p, w)
    elif outline == NONE:
        for i in range(BLOCK):
            w[workspace.B + i], w[workspace.C + i] = 1.0, 0.0
        _blank(w, 0, 5)
    elif outline == SQUARE:
        _square(p, c, w)
    else:
        _flat(p, c, w)
    for i in range(BLOCK):
        dx, dy, M = w[workspace.DX + i], w[workspace.DY + i], w[workspace.B + i]
        f1, f2 = w[workspace.AU + i] * M, w[workspace.AS + i] * M
        d1, d2 = c[5] * dx + c[6] * dy, c[10] * dx + c[11] * dy
        w[J + i] -= f1 * c[5] + f2 * c[10]
        w[J + BLOCK + i] -= f1 * c[6] + f2 * c[11]
        t1x, t1y = f1 * (dx - d1 * c[5]) * c[7], f1 * (dy - d1 * c[6]) * c[7]
        t2x, t2y = f2 * (dx - d2 * c[10]) * c[12], f2 * (dy - d2 * c[11]) * c[12]
        w[J + 2 * BLOCK + i] += c[8] * t1x + c[13] * t2x
        w[J + 3 * BLOCK + i] += c[8] * t1y + c[13] * t2y
        w[J + 4 * BLOCK + i] += c[9] * t1x + c[14] * t2x
        w[J + 5 * BLOCK + i] += c[9] * t1y + c[14] * t2y
        w[J + 6 * BLOCK + i] = (w[workspace.C + i] - (f1 * d1 + f2 * d2)) * c[0]
        w[J + 7 * BLOCK + i] = 1.0
        w[J + 8 * BLOCK + i] = M * w[workspace.AH + i]
        w[J + 11 * BLOCK + i] = M
        turn1 = -c[9] * (p[2] * t1x + p[3] * t1y) + c[8] * (p[4] * t1x + p[5] * t1y)
        turn2 = -c[14] * (p[2] * t2x + p[3] * t2y) + c[13] * (p[4] * t2x + p[5] * t2y)
        w[J + 12 * BLOCK + i] = 0.5 * (turn1 - turn2)
        w[MODEL + i] = p[7] + M * w[workspace.A + i]
    _blank(w, 13, 15)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _widths(c: Array, w: Array) -> None:
    """Mark units u and v to standard deviations of an edge across them: k of `_strip`."""
    for i in range(BLOCK):
        w[workspace.KU + i] = c[0] / math.sqrt(
            w[workspace.UX + i] * w[workspace.UX + i] + w[workspace.UY + i] * w[workspace.UY + i]
        )
        w[workspace.KV + i] = c[0] / math.sqrt(
            w[workspace.VX + i] * w[workspace.VX + i] + w[workspace.VY + i] * w[workspace.VY + i]
        )


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _along_sides(p: Array, c: Array, w: Array) -> None:
    """J[0..5] for a grey that changes by workspace.WU, WV with u and v, by SU, SV with the log of
    their k.
    """
    nu, nv = 1.0 / (c[3] * c[3]), 1.0 / (c[4] * c[4])
    for i in range(BLOCK):
        dx, dy = w[workspace.DX + i], w[workspace.DY + i]
        wu, wv = w[workspace.WU + i], w[workspace.WV + i]
        w[J + i] = -(wu * w[workspace.UX + i] + wv * w[workspace.VX + i])
        w[J + BLOCK + i] = -(wu * w[workspace.UY + i] + wv * w[workspace.VY + i])
        wu, wv = wu * w[workspace.D + i], wv * w[workspace.D + i]
        w[J + 2 * BLOCK + i] = wu * dx + w[workspace.SU + i] * nu * p[2]
        w[J + 3 * BLOCK + i] = wu * dy + w[workspace.SU + i] * nu * p[3]
        w[J + 4 * BLOCK + i] = wv * dx + w[workspace.SV + i] * nv * p[4]
        w[J + 5 * BLOCK + i] = wv * dy + w[workspace.SV + i] * nv * p[5]


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _square(p: Array, c: Array, w: Array) -> None:
    """Rows workspace.B and workspace.C and J[0..5] of a quadrant's square outline."""
    _widths(c, w)
    strip(w, workspace.U, workspace.KU, 1.0, workspace.C)
    strip(w, workspace.V, workspace.KV, 1.0, workspace.E)
    for i in range(BLOCK):
        inner, U, V = w[workspace.A + i], w[workspace.C + i], w[workspace.E + i]
        wu, wv = w[workspace.CU + i] * V * inner, U * w[workspace.EU + i] * inner
        su, sv = w[workspace.CS + i] * V * inner, U * w[workspace.ES + i] * inner
        w[workspace.WU + i], w[workspace.WV + i], w[workspace.SU + i], w[workspace.SV + i] = (
            wu,
            wv,
            su,
            sv,
        )
        w[workspace.B + i] = U * V
        w[workspace.C + i] = su + sv
    _along_sides(p, c, w)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _flat(p: Array, c: Array, w: Array) -> None:
    """Rows workspace.B and workspace.C and J[0..5] of an hourglass's flat ends."""
    for i in range(BLOCK):
        hx, hy = (
            (w[workspace.UX + i] + w[workspace.VX + i]) * _DIAGONAL,
            (w[workspace.UY + i] + w[workspace.VY + i]) * _DIAGONAL,
        )
        w[workspace.GX + i], w[workspace.GY + i] = hx, hy
        w[workspace.G2 + i] = hx * hx + hy * hy
        w[workspace.KU + i] = c[0] / math.sqrt(w[workspace.G2 + i])
        w[workspace.RHO + i] = (w[workspace.U + i] + w[workspace.V + i]) * _DIAGONAL
    strip(w, workspace.RHO, workspace.KU, 1.0, workspace.E)
    for i in range(BLOCK):
        wu, su = w[workspace.EU + i] * w[workspace.A + i], w[workspace.ES + i] * w[workspace.A + i]
        w[J + i], w[J + BLOCK + i] = -wu * w[workspace.GX + i], -wu * w[workspace.GY + i]
        wu *= _DIAGONAL * w[workspace.D + i]
        ku = su * _DIAGONAL / w[workspace.G2 + i]
        jx, jy = (
            wu * w[workspace.DX + i] + ku * w[workspace.GX + i],
            wu * w[workspace.DY + i] + ku * w[workspace.GY + i],
        )
        w[J + 2 * BLOCK + i], w[J + 3 * BLOCK + i] = jx, jy
        w[J + 4 * BLOCK + i], w[J + 5 * BLOCK + i] = jx, jy
        w[workspace.B + i], w[workspace.C + i] = w[workspace.E + i], su


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _rings(p: Array, q: Array, c: Array, w: Array) -> None:
    _circle(p, c, w)
    _blank(w, 11, 15)
    for i in range(BLOCK):
        w[workspace.Z1 + i] = (1.0 - w[workspace.RHO + i]) * w[workspace.K + i]
    edges(w, workspace.Z1, workspace.A, workspace.WEIGHT)
    for i in range(BLOCK):
        w[workspace.ALONG + i] = w[workspace.WEIGHT + i] * w[workspace.Z1 + i]
    for n in range(int(q[6])):
        radius, step = p[11 + 2 * n], p[12 + 2 * n]
        by = J + (11 + 2 * n) * BLOCK
        for i in range(BLOCK):
            w[workspace.Z1 + i] = (radius - w[workspace.RHO + i]) * w[workspace.K + i]
        edges(w, workspace.Z1, workspace.E1, workspace.F1)
        for i in range(BLOCK):
            w[workspace.A + i] += step * w[workspace.E1 + i]
            w[workspace.WEIGHT + i] += step * w[workspace.F1 + i]
            w[workspace.ALONG + i] += step * w[workspace.F1 + i] * w[workspace.Z1 + i]
            w[by + i] = p[8] * step * w[workspace.F1 + i] * w[workspace.K + i]
            w[by + BLOCK + i] = p[8] * w[workspace.E1 + i]
    for i in range(BLOCK):
        w[workspace.WEIGHT + i] *= -p[8] * w[workspace.K + i]
        w[workspace.ALONG + i] *= p[8]
        w[J + 6 * BLOCK + i] = -w[workspace.ALONG + i] * c[0]
        w[J + 7 * BLOCK + i] = 1.0
        w[J + 8 * BLOCK + i] = w[workspace.A + i]
        w[MODEL + i] = p[7] + p[8] * w[workspace.A + i]
    _outward(p, w)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _cross(p: Array, c: Array, w: Array) -> None:
    h, sides = p[11], c[3] * c[4]
    slant = (p[2] * p[4] + p[3] * p[5]) / sides  # the perspective's part left out
    steep, nu, nv = p[8] * slant, slant / (c[3] * c[3]), slant / (c[4] * c[4])
    t2, t3 = p[8] * (p[4] / sides - nu * p[2]), p[8] * (p[5] / sides - nu * p[3])
    t4, t5 = p[8] * (p[2] / sides - nv * p[4]), p[8] * (p[3] / sides - nv * p[5])
    _plane(p, c, w)
    _widths(c, w)
    strip(w, workspace.U, workspace.KU, h, workspace.A)
    strip(w, workspace.V, workspace.KV, 1.0, workspace.B)
    strip(w, workspace.V, workspace.KV, h, workspace.C)
    strip(w, workspace.U, workspace.KU, 1.0, workspace.E)
    askew(w, h)
    for i in range(BLOCK):
        A, B, C, E = w[workspace.A + i], w[workspace.B + i], w[workspace.C + i], w[workspace.E + i]
        a, b = A * B, C * E
        ra, rb = p[8] * (1.0 - b), p[8] * (1.0 - a)
        wu = ra * w[workspace.AU + i] * B + rb * C * w[workspace.EU + i]
        wv = ra * A * w[workspace.BU + i] + rb * w[workspace.CU + i] * E
        su = ra * w[workspace.AS + i] * B + rb * C * w[workspace.ES + i]
        sv = ra * A * w[workspace.BS + i] + rb * w[workspace.CS + i] * E
        wu, wv = wu + steep * w[workspace.E1 + i], wv + steep * w[workspace.F1 + i]
        su, sv = su + steep * w[workspace.Z2 + i], sv + steep * w[workspace.E2 + i]
        w[workspace.WU + i], w[workspace.WV + i], w[workspace.SU + i], w[workspace.SV + i] = (
            wu,
            wv,
            su,
            sv,
        )
        w[J + 6 * BLOCK + i] = (su + sv) * c[0]
        w[J + 7 * BLOCK + i] = 1.0
        w[J + 8 * BLOCK + i] = a + b - a * b + slant * w[workspace.Z1 + i]
        dh = ra * w[workspace.AH + i] * B + rb * w[workspace.CH + i] * E
        w[J + 11 * BLOCK + i] = dh + steep * w[workspace.F2 + i]
        w[MODEL + i] = p[7] + p[8] * w[J + 8 * BLOCK + i]
    _along_sides(p, c, w)
    for i in range(BLOCK):
        corner = w[workspace.Z1 + i]
        w[J + 2 * BLOCK + i] += corner * t2
        w[J + 3 * BLOCK + i] += corner * t3
        w[J + 4 * BLOCK + i] += corner * t4
        w[J + 5 * BLOCK + i] += corner * t5
    _blank(w, 12, 15)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _still(
    kind: int, p: Array, q: Array, c: Array, template: Array, along: float, w: Array
) -> None:
    """Grey and derivatives with the mark `along` of its motion from the middle."""
    x, y = p[0] + along * q[2], p[1] + along * q[3]
    for i in range(BLOCK):
        w[workspace.DX + i] = w[X + i] - x
        w[workspace.DY + i] = w[Y + i] - y
    if kind == QUADRANT:
        _quadrant(p, q, c, w)
    elif kind == RINGS:
        _rings(p, q, c, w)
    elif kind == CROSS:
        _cross(p, c, w)
    else:
        textured(p, q, template, w)
        _blank(w, 11, 15)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def grey(kind: int, p: Array, q: Array, c: Array, template: Array, w: Array) -> None:
    """Rows MODEL and J (16) of w: grey of the pixels in rows X and Y, and its derivatives by p,
    those but by the lighting (9, 10) still to be multiplied by row ALONG.

    c (16) comes from `prepare`.
    """
    steps = int(q[4])
    if steps == 0:
        _still(kind, p, q, c, template, 0.0, w)
    else:
        for i in range(17 * BLOCK):
            w[workspace.SUM + i] = 0.0
        for n in range(2 * steps):
            along = (n // 2 + 0.5 + (n % 2 - 0.5) * _GAUSS) / steps - 0.5
            _still(kind, p, q, c, template, along, w)
            for i in range(17 * BLOCK):
                w[workspace.SUM + i] += w[MODEL + i]
        for i in range(17 * BLOCK):
            w[MODEL + i] = w[workspace.SUM + i] / (2 * steps)
    for i in range(BLOCK):
        # Moving the mark moves the lighting with it; the greys take that up exactly, so it is
        # left out.
        dx, dy = w[X + i] - p[0], w[Y + i] - p[1]
        w[workspace.ALONG + i] = 1.0 + p[9] * dx + p[10] * dy
        w[J + 9 * BLOCK + i] = w[MODEL + i] * dx
        w[J + 10 * BLOCK + i] = w[MODEL + i] * dy
        w[MODEL + i] *= w[workspace.ALONG + i]
