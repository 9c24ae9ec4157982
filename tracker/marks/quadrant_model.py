"""The grey of quadrants and hourglasses, and its derivatives. Compiled.

Rows of the work space w are named in `tracker.marks.workspace`, places of p, q and c in
`tracker.marks.parameters`.
"""

from __future__ import annotations

import math

from numba import njit

from calibration.arrays import Array
from tracker.marks import workspace as ws
from tracker.marks.edge_profile import fill_edges, fill_strip
from tracker.marks.mark_geometry import (
    clear_derivatives,
    fill_along_sides,
    fill_circle,
    fill_outward,
    fill_plane,
    fill_widths,
)
from tracker.marks.parameters import (
    CONTRAST,
    COS_1,
    COS_2,
    DISC,
    INVERSE_SD,
    LEVEL,
    N1_SCALE,
    N1_X,
    N1_Y,
    N2_SCALE,
    N2_X,
    N2_Y,
    NONE,
    OUTLINE,
    SECTOR_OFFSET,
    SIN_1,
    SIN_2,
    SQUARE,
    W_UX,
    W_UY,
    W_VX,
    W_VY,
)
from tracker.marks.workspace import BLOCK

_DIAGONAL = math.sqrt(0.5)


@njit(cache=True, error_model="numpy")
def prepare_line(p: Array, angle: float, to: int, c: Array) -> None:
    """A dividing line's normal, scale, cosine and sine, into the five places of c from `to`."""
    cos, sin = math.cos(angle), math.sin(angle)
    nx, ny = p[W_UX] * cos + p[W_VX] * sin, p[W_UY] * cos + p[W_VY] * sin
    length = math.hypot(nx, ny)
    c[to], c[to + 1], c[to + 2] = nx / length, ny / length, 1.0 / length
    c[to + 3], c[to + 4] = cos, sin


@njit(cache=True, error_model="numpy")
def fill_quadrant(p: Array, q: Array, c: Array, w: Array) -> None:
    """Rows `MODEL` and J of w, but for the lighting."""
    half, outline = 0.5 * p[CONTRAST], int(q[OUTLINE])
    # A: what is inside the outline; B: indicator of the outline; C: s d/ds of that times A
    if outline == DISC:
        fill_circle(p, c, w)
        for i in range(BLOCK):
            w[ws.Z1 + i] = (1.0 - w[ws.RHO + i]) * w[ws.K + i]
        fill_edges(w, ws.Z1, ws.B, ws.F1)
        for i in range(BLOCK):
            w[ws.E + i] = w[ws.Z1 + i]
            w[ws.ES + i] = w[ws.F1 + i]
    elif outline != NONE:
        fill_plane(p, c, w)
    for i in range(BLOCK):
        w[ws.Z1 + i] = (c[N1_X] * w[ws.DX + i] + c[N1_Y] * w[ws.DY + i]) * c[INVERSE_SD]
        w[ws.Z2 + i] = (c[N2_X] * w[ws.DX + i] + c[N2_Y] * w[ws.DY + i]) * c[INVERSE_SD]
    fill_edges(w, ws.Z1, ws.E1, ws.F1)
    fill_edges(w, ws.Z2, ws.E2, ws.F2)
    for i in range(BLOCK):
        a, b = 2.0 * w[ws.E1 + i] - 1.0, 2.0 * w[ws.E2 + i] - 1.0
        w[ws.A + i] = p[SECTOR_OFFSET] + half * a * b
        w[ws.AU + i] = w[ws.F1 + i] * b * (2.0 * half * c[INVERSE_SD])
        w[ws.AS + i] = w[ws.F2 + i] * a * (2.0 * half * c[INVERSE_SD])
        w[ws.AH + i] = 0.5 * a * b
    if outline == DISC:
        for i in range(BLOCK):
            m = w[ws.ES + i] * w[ws.A + i]
            w[ws.WEIGHT + i] = -m * w[ws.K + i]
            w[ws.ALONG + i] = m * w[ws.E + i]
            w[ws.C + i] = -m * w[ws.E + i]
        fill_outward(p, w)
    elif outline == NONE:
        for i in range(BLOCK):
            w[ws.B + i], w[ws.C + i] = 1.0, 0.0
        clear_derivatives(w, 0, 5)
    elif outline == SQUARE:
        _fill_square(p, c, w)
    else:
        _fill_flat(p, c, w)
    for i in range(BLOCK):
        dx, dy, M = w[ws.DX + i], w[ws.DY + i], w[ws.B + i]
        f1, f2 = w[ws.AU + i] * M, w[ws.AS + i] * M
        d1, d2 = c[N1_X] * dx + c[N1_Y] * dy, c[N2_X] * dx + c[N2_Y] * dy
        w[ws.J_X + i] -= f1 * c[N1_X] + f2 * c[N2_X]
        w[ws.J_Y + i] -= f1 * c[N1_Y] + f2 * c[N2_Y]
        t1x, t1y = f1 * (dx - d1 * c[N1_X]) * c[N1_SCALE], f1 * (dy - d1 * c[N1_Y]) * c[N1_SCALE]
        t2x, t2y = f2 * (dx - d2 * c[N2_X]) * c[N2_SCALE], f2 * (dy - d2 * c[N2_Y]) * c[N2_SCALE]
        w[ws.J_UX + i] += c[COS_1] * t1x + c[COS_2] * t2x
        w[ws.J_UY + i] += c[COS_1] * t1y + c[COS_2] * t2y
        w[ws.J_VX + i] += c[SIN_1] * t1x + c[SIN_2] * t2x
        w[ws.J_VY + i] += c[SIN_1] * t1y + c[SIN_2] * t2y
        w[ws.J_SD + i] = (w[ws.C + i] - (f1 * d1 + f2 * d2)) * c[INVERSE_SD]
        w[ws.J_LEVEL + i] = 1.0
        w[ws.J_CONTRAST + i] = M * w[ws.AH + i]
        w[ws.J_OFFSET + i] = M
        turn1 = -c[SIN_1] * (p[W_UX] * t1x + p[W_UY] * t1y) + c[COS_1] * (
            p[W_VX] * t1x + p[W_VY] * t1y
        )
        turn2 = -c[SIN_2] * (p[W_UX] * t2x + p[W_UY] * t2y) + c[COS_2] * (
            p[W_VX] * t2x + p[W_VY] * t2y
        )
        w[ws.J_OPENING + i] = 0.5 * (turn1 - turn2)
        w[ws.MODEL + i] = p[LEVEL] + M * w[ws.A + i]
    clear_derivatives(w, 13, 15)


@njit(cache=True, error_model="numpy")
def _fill_square(p: Array, c: Array, w: Array) -> None:
    """Rows B and C and J[0..5] of a quadrant's square outline."""
    fill_widths(c, w)
    fill_strip(w, ws.U, ws.KU, 1.0, ws.C)
    fill_strip(w, ws.V, ws.KV, 1.0, ws.E)
    for i in range(BLOCK):
        inner, U, V = w[ws.A + i], w[ws.C + i], w[ws.E + i]
        wu, wv = w[ws.CU + i] * V * inner, U * w[ws.EU + i] * inner
        su, sv = w[ws.CS + i] * V * inner, U * w[ws.ES + i] * inner
        w[ws.WU + i], w[ws.WV + i], w[ws.SU + i], w[ws.SV + i] = (
            wu,
            wv,
            su,
            sv,
        )
        w[ws.B + i] = U * V
        w[ws.C + i] = su + sv
    fill_along_sides(p, c, w)


@njit(cache=True, error_model="numpy")
def _fill_flat(p: Array, c: Array, w: Array) -> None:
    """Rows B and C and J[0..5] of an hourglass's flat ends."""
    for i in range(BLOCK):
        hx, hy = (
            (w[ws.UX + i] + w[ws.VX + i]) * _DIAGONAL,
            (w[ws.UY + i] + w[ws.VY + i]) * _DIAGONAL,
        )
        w[ws.GX + i], w[ws.GY + i] = hx, hy
        w[ws.G2 + i] = hx * hx + hy * hy
        w[ws.KU + i] = c[INVERSE_SD] / math.sqrt(w[ws.G2 + i])
        w[ws.RHO + i] = (w[ws.U + i] + w[ws.V + i]) * _DIAGONAL
    fill_strip(w, ws.RHO, ws.KU, 1.0, ws.E)
    for i in range(BLOCK):
        wu, su = w[ws.EU + i] * w[ws.A + i], w[ws.ES + i] * w[ws.A + i]
        w[ws.J_X + i], w[ws.J_Y + i] = -wu * w[ws.GX + i], -wu * w[ws.GY + i]
        wu *= _DIAGONAL * w[ws.D + i]
        ku = su * _DIAGONAL / w[ws.G2 + i]
        jx, jy = (
            wu * w[ws.DX + i] + ku * w[ws.GX + i],
            wu * w[ws.DY + i] + ku * w[ws.GY + i],
        )
        w[ws.J_UX + i], w[ws.J_UY + i] = jx, jy
        w[ws.J_VX + i], w[ws.J_VY + i] = jx, jy
        w[ws.B + i], w[ws.C + i] = w[ws.E + i], su
