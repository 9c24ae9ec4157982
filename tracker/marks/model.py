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

from calibration.camera import Array
from tracker.marks import slots
from tracker.marks.edge import FAST, askew, edges, strip
from tracker.marks.slots import BLOCK, MODEL, J, X, Y
from tracker.marks.texture import textured

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
        dx, dy = w[slots.DX + i], w[slots.DY + i]
        D = 1.0 / max(1.0 - c[1] * dx - c[2] * dy, 0.2)
        u, v = (p[2] * dx + p[3] * dy) * D, (p[4] * dx + p[5] * dy) * D
        w[slots.D + i], w[slots.U + i], w[slots.V + i] = D, u, v
        w[slots.UX + i], w[slots.UY + i] = (p[2] + u * c[1]) * D, (p[3] + u * c[2]) * D
        w[slots.VX + i], w[slots.VY + i] = (p[4] + v * c[1]) * D, (p[5] + v * c[2]) * D


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _circle(p: Array, c: Array, w: Array) -> None:
    """Radius |m|, k = 1/(|grad |m|| s), the direction m / |m|, and what gradients need."""
    for i in range(BLOCK):
        dx, dy = w[slots.DX + i], w[slots.DY + i]
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
        w[slots.D + i], w[slots.U + i], w[slots.V + i] = D, u, v
        w[slots.RHO + i], w[slots.K + i] = rho, math.sqrt(g2) * c[0]
        w[slots.GX + i], w[slots.GY + i], w[slots.G2 + i] = gx, gy, g2


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _outward(p: Array, w: Array) -> None:
    """J[0..5] for a grey that changes by row slots.WEIGHT with |m| and by slots.ALONG with log k.

    The change of k leaves the perspective out; it vanishes on the outline itself.
    """
    for i in range(BLOCK):
        u, v, gx, gy, g2 = (
            w[slots.U + i],
            w[slots.V + i],
            w[slots.GX + i],
            w[slots.GY + i],
            w[slots.G2 + i],
        )
        weight, along = w[slots.WEIGHT + i], w[slots.ALONG + i]
        over = along / w[slots.RHO + i]
        eu = over * (u - (p[2] * gx + p[3] * gy) * g2)
        ev = over * (v - (p[4] * gx + p[5] * gy) * g2)
        kx, ky = along * g2 * gx, along * g2 * gy
        wu, wv = weight * u * w[slots.D + i] + eu, weight * v * w[slots.D + i] + ev
        w[J + i] = -weight * gx - eu * p[2] - ev * p[4]
        w[J + BLOCK + i] = -weight * gy - eu * p[3] - ev * p[5]
        w[J + 2 * BLOCK + i] = wu * w[slots.DX + i] - kx * u
        w[J + 3 * BLOCK + i] = wu * w[slots.DY + i] - ky * u
        w[J + 4 * BLOCK + i] = wv * w[slots.DX + i] - kx * v
        w[J + 5 * BLOCK + i] = wv * w[slots.DY + i] - ky * v


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _blank(w: Array, first: int, last: int) -> None:
    """Derivatives first..last are zero."""
    for i in range(J + first * BLOCK, J + (last + 1) * BLOCK):
        w[i] = 0.0


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _quadrant(p: Array, q: Array, c: Array, w: Array) -> None:
    half, outline = 0.5 * p[8], int(q[5])
    # slots.A: what is inside the outline; B: indicator of the outline; C: s d/ds of that times A
    if outline == DISC:
        _circle(p, c, w)
        for i in range(BLOCK):
            w[slots.Z1 + i] = (1.0 - w[slots.RHO + i]) * w[slots.K + i]
        edges(w, slots.Z1, slots.B, slots.F1)
        for i in range(BLOCK):
            w[slots.E + i] = w[slots.Z1 + i]
            w[slots.ES + i] = w[slots.F1 + i]
    elif outline != NONE:
        _plane(p, c, w)
    for i in range(BLOCK):
        w[slots.Z1 + i] = (c[5] * w[slots.DX + i] + c[6] * w[slots.DY + i]) * c[0]
        w[slots.Z2 + i] = (c[10] * w[slots.DX + i] + c[11] * w[slots.DY + i]) * c[0]
    edges(w, slots.Z1, slots.E1, slots.F1)
    edges(w, slots.Z2, slots.E2, slots.F2)
    for i in range(BLOCK):
        a, b = 2.0 * w[slots.E1 + i] - 1.0, 2.0 * w[slots.E2 + i] - 1.0
        w[slots.A + i] = p[11] + half * a * b
        w[slots.AU + i] = w[slots.F1 + i] * b * (2.0 * half * c[0])
        w[slots.AS + i] = w[slots.F2 + i] * a * (2.0 * half * c[0])
        w[slots.AH + i] = 0.5 * a * b
    if outline == DISC:
        for i in range(BLOCK):
            m = w[slots.ES + i] * w[slots.A + i]
            w[slots.WEIGHT + i] = -m * w[slots.K + i]
            w[slots.ALONG + i] = m * w[slots.E + i]
            w[slots.C + i] = -m * w[slots.E + i]
        _outward(p, w)
    elif outline == NONE:
        for i in range(BLOCK):
            w[slots.B + i], w[slots.C + i] = 1.0, 0.0
        _blank(w, 0, 5)
    elif outline == SQUARE:
        _square(p, c, w)
    else:
        _flat(p, c, w)
    for i in range(BLOCK):
        dx, dy, M = w[slots.DX + i], w[slots.DY + i], w[slots.B + i]
        f1, f2 = w[slots.AU + i] * M, w[slots.AS + i] * M
        d1, d2 = c[5] * dx + c[6] * dy, c[10] * dx + c[11] * dy
        w[J + i] -= f1 * c[5] + f2 * c[10]
        w[J + BLOCK + i] -= f1 * c[6] + f2 * c[11]
        t1x, t1y = f1 * (dx - d1 * c[5]) * c[7], f1 * (dy - d1 * c[6]) * c[7]
        t2x, t2y = f2 * (dx - d2 * c[10]) * c[12], f2 * (dy - d2 * c[11]) * c[12]
        w[J + 2 * BLOCK + i] += c[8] * t1x + c[13] * t2x
        w[J + 3 * BLOCK + i] += c[8] * t1y + c[13] * t2y
        w[J + 4 * BLOCK + i] += c[9] * t1x + c[14] * t2x
        w[J + 5 * BLOCK + i] += c[9] * t1y + c[14] * t2y
        w[J + 6 * BLOCK + i] = (w[slots.C + i] - (f1 * d1 + f2 * d2)) * c[0]
        w[J + 7 * BLOCK + i] = 1.0
        w[J + 8 * BLOCK + i] = M * w[slots.AH + i]
        w[J + 11 * BLOCK + i] = M
        turn1 = -c[9] * (p[2] * t1x + p[3] * t1y) + c[8] * (p[4] * t1x + p[5] * t1y)
        turn2 = -c[14] * (p[2] * t2x + p[3] * t2y) + c[13] * (p[4] * t2x + p[5] * t2y)
        w[J + 12 * BLOCK + i] = 0.5 * (turn1 - turn2)
        w[MODEL + i] = p[7] + M * w[slots.A + i]
    _blank(w, 13, 15)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _widths(c: Array, w: Array) -> None:
    """Mark units u and v to standard deviations of an edge across them: k of `_strip`."""
    for i in range(BLOCK):
        w[slots.KU + i] = c[0] / math.sqrt(
            w[slots.UX + i] * w[slots.UX + i] + w[slots.UY + i] * w[slots.UY + i]
        )
        w[slots.KV + i] = c[0] / math.sqrt(
            w[slots.VX + i] * w[slots.VX + i] + w[slots.VY + i] * w[slots.VY + i]
        )


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _along_sides(p: Array, c: Array, w: Array) -> None:
    """J[0..5] for a grey that changes by slots.WU, WV with u and v, by SU, SV with the log of
    their k.
    """
    nu, nv = 1.0 / (c[3] * c[3]), 1.0 / (c[4] * c[4])
    for i in range(BLOCK):
        dx, dy = w[slots.DX + i], w[slots.DY + i]
        wu, wv = w[slots.WU + i], w[slots.WV + i]
        w[J + i] = -(wu * w[slots.UX + i] + wv * w[slots.VX + i])
        w[J + BLOCK + i] = -(wu * w[slots.UY + i] + wv * w[slots.VY + i])
        wu, wv = wu * w[slots.D + i], wv * w[slots.D + i]
        w[J + 2 * BLOCK + i] = wu * dx + w[slots.SU + i] * nu * p[2]
        w[J + 3 * BLOCK + i] = wu * dy + w[slots.SU + i] * nu * p[3]
        w[J + 4 * BLOCK + i] = wv * dx + w[slots.SV + i] * nv * p[4]
        w[J + 5 * BLOCK + i] = wv * dy + w[slots.SV + i] * nv * p[5]


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _square(p: Array, c: Array, w: Array) -> None:
    """Rows slots.B and slots.C and J[0..5] of a quadrant's square outline."""
    _widths(c, w)
    strip(w, slots.U, slots.KU, 1.0, slots.C)
    strip(w, slots.V, slots.KV, 1.0, slots.E)
    for i in range(BLOCK):
        inner, U, V = w[slots.A + i], w[slots.C + i], w[slots.E + i]
        wu, wv = w[slots.CU + i] * V * inner, U * w[slots.EU + i] * inner
        su, sv = w[slots.CS + i] * V * inner, U * w[slots.ES + i] * inner
        w[slots.WU + i], w[slots.WV + i], w[slots.SU + i], w[slots.SV + i] = wu, wv, su, sv
        w[slots.B + i] = U * V
        w[slots.C + i] = su + sv
    _along_sides(p, c, w)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _flat(p: Array, c: Array, w: Array) -> None:
    """Rows slots.B and slots.C and J[0..5] of an hourglass's flat ends."""
    for i in range(BLOCK):
        hx, hy = (
            (w[slots.UX + i] + w[slots.VX + i]) * _DIAGONAL,
            (w[slots.UY + i] + w[slots.VY + i]) * _DIAGONAL,
        )
        w[slots.GX + i], w[slots.GY + i] = hx, hy
        w[slots.G2 + i] = hx * hx + hy * hy
        w[slots.KU + i] = c[0] / math.sqrt(w[slots.G2 + i])
        w[slots.RHO + i] = (w[slots.U + i] + w[slots.V + i]) * _DIAGONAL
    strip(w, slots.RHO, slots.KU, 1.0, slots.E)
    for i in range(BLOCK):
        wu, su = w[slots.EU + i] * w[slots.A + i], w[slots.ES + i] * w[slots.A + i]
        w[J + i], w[J + BLOCK + i] = -wu * w[slots.GX + i], -wu * w[slots.GY + i]
        wu *= _DIAGONAL * w[slots.D + i]
        ku = su * _DIAGONAL / w[slots.G2 + i]
        jx, jy = (
            wu * w[slots.DX + i] + ku * w[slots.GX + i],
            wu * w[slots.DY + i] + ku * w[slots.GY + i],
        )
        w[J + 2 * BLOCK + i], w[J + 3 * BLOCK + i] = jx, jy
        w[J + 4 * BLOCK + i], w[J + 5 * BLOCK + i] = jx, jy
        w[slots.B + i], w[slots.C + i] = w[slots.E + i], su


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _rings(p: Array, q: Array, c: Array, w: Array) -> None:
    _circle(p, c, w)
    _blank(w, 11, 15)
    for i in range(BLOCK):
        w[slots.Z1 + i] = (1.0 - w[slots.RHO + i]) * w[slots.K + i]
    edges(w, slots.Z1, slots.A, slots.WEIGHT)
    for i in range(BLOCK):
        w[slots.ALONG + i] = w[slots.WEIGHT + i] * w[slots.Z1 + i]
    for n in range(int(q[6])):
        radius, step = p[11 + 2 * n], p[12 + 2 * n]
        by = J + (11 + 2 * n) * BLOCK
        for i in range(BLOCK):
            w[slots.Z1 + i] = (radius - w[slots.RHO + i]) * w[slots.K + i]
        edges(w, slots.Z1, slots.E1, slots.F1)
        for i in range(BLOCK):
            w[slots.A + i] += step * w[slots.E1 + i]
            w[slots.WEIGHT + i] += step * w[slots.F1 + i]
            w[slots.ALONG + i] += step * w[slots.F1 + i] * w[slots.Z1 + i]
            w[by + i] = p[8] * step * w[slots.F1 + i] * w[slots.K + i]
            w[by + BLOCK + i] = p[8] * w[slots.E1 + i]
    for i in range(BLOCK):
        w[slots.WEIGHT + i] *= -p[8] * w[slots.K + i]
        w[slots.ALONG + i] *= p[8]
        w[J + 6 * BLOCK + i] = -w[slots.ALONG + i] * c[0]
        w[J + 7 * BLOCK + i] = 1.0
        w[J + 8 * BLOCK + i] = w[slots.A + i]
        w[MODEL + i] = p[7] + p[8] * w[slots.A + i]
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
    strip(w, slots.U, slots.KU, h, slots.A)
    strip(w, slots.V, slots.KV, 1.0, slots.B)
    strip(w, slots.V, slots.KV, h, slots.C)
    strip(w, slots.U, slots.KU, 1.0, slots.E)
    askew(w, h)
    for i in range(BLOCK):
        A, B, C, E = w[slots.A + i], w[slots.B + i], w[slots.C + i], w[slots.E + i]
        a, b = A * B, C * E
        ra, rb = p[8] * (1.0 - b), p[8] * (1.0 - a)
        wu = ra * w[slots.AU + i] * B + rb * C * w[slots.EU + i]
        wv = ra * A * w[slots.BU + i] + rb * w[slots.CU + i] * E
        su = ra * w[slots.AS + i] * B + rb * C * w[slots.ES + i]
        sv = ra * A * w[slots.BS + i] + rb * w[slots.CS + i] * E
        wu, wv = wu + steep * w[slots.E1 + i], wv + steep * w[slots.F1 + i]
        su, sv = su + steep * w[slots.Z2 + i], sv + steep * w[slots.E2 + i]
        w[slots.WU + i], w[slots.WV + i], w[slots.SU + i], w[slots.SV + i] = wu, wv, su, sv
        w[J + 6 * BLOCK + i] = (su + sv) * c[0]
        w[J + 7 * BLOCK + i] = 1.0
        w[J + 8 * BLOCK + i] = a + b - a * b + slant * w[slots.Z1 + i]
        dh = ra * w[slots.AH + i] * B + rb * w[slots.CH + i] * E
        w[J + 11 * BLOCK + i] = dh + steep * w[slots.F2 + i]
        w[MODEL + i] = p[7] + p[8] * w[J + 8 * BLOCK + i]
    _along_sides(p, c, w)
    for i in range(BLOCK):
        corner = w[slots.Z1 + i]
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
        w[slots.DX + i] = w[X + i] - x
        w[slots.DY + i] = w[Y + i] - y
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
            w[slots.SUM + i] = 0.0
        for n in range(2 * steps):
            along = (n // 2 + 0.5 + (n % 2 - 0.5) * _GAUSS) / steps - 0.5
            _still(kind, p, q, c, template, along, w)
            for i in range(17 * BLOCK):
                w[slots.SUM + i] += w[MODEL + i]
        for i in range(17 * BLOCK):
            w[MODEL + i] = w[slots.SUM + i] / (2 * steps)
    for i in range(BLOCK):
        # Moving the mark moves the lighting with it; the greys take that up exactly, so it is
        # left out.
        dx, dy = w[X + i] - p[0], w[Y + i] - p[1]
        w[slots.ALONG + i] = 1.0 + p[9] * dx + p[10] * dy
        w[J + 9 * BLOCK + i] = w[MODEL + i] * dx
        w[J + 10 * BLOCK + i] = w[MODEL + i] * dy
        w[MODEL + i] *= w[slots.ALONG + i]
