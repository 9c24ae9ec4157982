"""The grey that a mark of known shape gives its pixels, and its derivatives, compiled.

An edge seen through a Gaussian blur is Phi(d / s), d the signed distance of the pixel's centre from
the edge and s² = blur² + 1/12 (the second moment of the pixel's own area). Crossing edges multiply
(those of an oblique cross add a little), the lighting plane multiplies everything, and motion
during the exposure is the mean over the path, taken at Gauss-Legendre points. Derivatives are exact
but for the change of the factor that turns mark units into pixels along a curved outline; that
error vanishes on the outline itself.

A mark is a row p of parameters and a row q of constants (`tracker.marks.parameters`). Pixels are
taken a block of `BLOCK` at a time. All that is known of a block lies in rows of one flat work space
w (`WORK`), at offsets fixed when it is compiled, so that every loop runs on the processor's vector
registers.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from calibration.arrays import Array
from tracker.marks import workspace as ws
from tracker.marks.edge_profile import fill_crossings, fill_edges, fill_strip
from tracker.marks.mark_geometry import (
    clear_derivatives,
    fill_along_sides,
    fill_circle,
    fill_outward,
    fill_plane,
    fill_widths,
)
from tracker.marks.packing import MarkRow
from tracker.marks.parameters import (
    BAR_HALF,
    CENTRE_X,
    CENTRE_Y,
    CONTRAST,
    CROSS,
    EDGE_SD,
    INVERSE_SD,
    LEVEL,
    LIGHT_X,
    LIGHT_Y,
    MOTION_X,
    MOTION_Y,
    N1_X,
    N2_X,
    PARAMETERS,
    PATH_POINTS,
    PERSPECTIVE_X,
    PERSPECTIVE_Y,
    PREPARED,
    QUADRANT,
    RING_EDGES,
    RING_RADIUS,
    RING_STEP,
    RING_STRIDE,
    RINGS,
    SECTOR_OPENING,
    TILT_X,
    TILT_Y,
    U_LENGTH,
    V_LENGTH,
    W_UX,
    W_UY,
    W_VX,
    W_VY,
)
from tracker.marks.quadrant_model import fill_quadrant, prepare_line
from tracker.marks.texture_model import fill_texture
from tracker.marks.workspace import BLOCK

_GAUSS = 1.0 / math.sqrt(3.0)
"""Places of the two Gauss-Legendre points of a piece of the path, over half of it."""
_ALL_ROWS = PARAMETERS + 1
"""The grey and its derivatives."""


@njit(cache=True, error_model="numpy")
def prepare_row(kind: int, p: Array, q: Array, c: Array) -> None:
    """What all pixels share, into c (`PREPARED`)."""
    c[INVERSE_SD] = 1.0 / p[EDGE_SD]
    c[TILT_X] = p[W_UX] * q[PERSPECTIVE_X] + p[W_VX] * q[PERSPECTIVE_Y]
    c[TILT_Y] = p[W_UY] * q[PERSPECTIVE_X] + p[W_VY] * q[PERSPECTIVE_Y]
    c[U_LENGTH], c[V_LENGTH] = math.hypot(p[W_UX], p[W_UY]), math.hypot(p[W_VX], p[W_VY])
    if kind == QUADRANT:
        prepare_line(p, 0.5 * p[SECTOR_OPENING] - 0.25 * math.pi, N1_X, c)
        prepare_line(p, 0.75 * math.pi - 0.5 * p[SECTOR_OPENING], N2_X, c)


@njit(cache=True, error_model="numpy")
def _fill_rings(p: Array, q: Array, c: Array, w: Array) -> None:
    fill_circle(p, c, w)
    clear_derivatives(w, 11, 15)
    for i in range(BLOCK):
        w[ws.Z1 + i] = (1.0 - w[ws.RHO + i]) * w[ws.K + i]
    fill_edges(w, ws.Z1, ws.A, ws.WEIGHT)
    for i in range(BLOCK):
        w[ws.ALONG + i] = w[ws.WEIGHT + i] * w[ws.Z1 + i]
    for n in range(int(q[RING_EDGES])):
        radius, step = p[RING_RADIUS + RING_STRIDE * n], p[RING_STEP + RING_STRIDE * n]
        by = ws.J + (RING_RADIUS + RING_STRIDE * n) * BLOCK
        for i in range(BLOCK):
            w[ws.Z1 + i] = (radius - w[ws.RHO + i]) * w[ws.K + i]
        fill_edges(w, ws.Z1, ws.E1, ws.F1)
        for i in range(BLOCK):
            w[ws.A + i] += step * w[ws.E1 + i]
            w[ws.WEIGHT + i] += step * w[ws.F1 + i]
            w[ws.ALONG + i] += step * w[ws.F1 + i] * w[ws.Z1 + i]
            w[by + i] = p[CONTRAST] * step * w[ws.F1 + i] * w[ws.K + i]
            w[by + BLOCK + i] = p[CONTRAST] * w[ws.E1 + i]
    for i in range(BLOCK):
        w[ws.WEIGHT + i] *= -p[CONTRAST] * w[ws.K + i]
        w[ws.ALONG + i] *= p[CONTRAST]
        w[ws.J_SD + i] = -w[ws.ALONG + i] * c[INVERSE_SD]
        w[ws.J_LEVEL + i] = 1.0
        w[ws.J_CONTRAST + i] = w[ws.A + i]
        w[ws.MODEL + i] = p[LEVEL] + p[CONTRAST] * w[ws.A + i]
    fill_outward(p, w)


@njit(cache=True, error_model="numpy")
def _fill_cross(p: Array, c: Array, w: Array) -> None:
    h, sides = p[BAR_HALF], c[U_LENGTH] * c[V_LENGTH]
    slant = (p[W_UX] * p[W_VX] + p[W_UY] * p[W_VY]) / sides  # the perspective's part left out
    steep, nu, nv = (
        p[CONTRAST] * slant,
        slant / (c[U_LENGTH] * c[U_LENGTH]),
        slant / (c[V_LENGTH] * c[V_LENGTH]),
    )
    t2, t3 = (
        p[CONTRAST] * (p[W_VX] / sides - nu * p[W_UX]),
        p[CONTRAST] * (p[W_VY] / sides - nu * p[W_UY]),
    )
    t4, t5 = (
        p[CONTRAST] * (p[W_UX] / sides - nv * p[W_VX]),
        p[CONTRAST] * (p[W_UY] / sides - nv * p[W_VY]),
    )
    fill_plane(p, c, w)
    fill_widths(c, w)
    fill_strip(w, ws.U, ws.KU, h, ws.A)
    fill_strip(w, ws.V, ws.KV, 1.0, ws.B)
    fill_strip(w, ws.V, ws.KV, h, ws.C)
    fill_strip(w, ws.U, ws.KU, 1.0, ws.E)
    fill_crossings(w, h)
    for i in range(BLOCK):
        A, B, C, E = w[ws.A + i], w[ws.B + i], w[ws.C + i], w[ws.E + i]
        a, b = A * B, C * E
        ra, rb = p[CONTRAST] * (1.0 - b), p[CONTRAST] * (1.0 - a)
        wu = ra * w[ws.AU + i] * B + rb * C * w[ws.EU + i]
        wv = ra * A * w[ws.BU + i] + rb * w[ws.CU + i] * E
        su = ra * w[ws.AS + i] * B + rb * C * w[ws.ES + i]
        sv = ra * A * w[ws.BS + i] + rb * w[ws.CS + i] * E
        wu, wv = wu + steep * w[ws.E1 + i], wv + steep * w[ws.F1 + i]
        su, sv = su + steep * w[ws.Z2 + i], sv + steep * w[ws.E2 + i]
        w[ws.WU + i], w[ws.WV + i], w[ws.SU + i], w[ws.SV + i] = (
            wu,
            wv,
            su,
            sv,
        )
        w[ws.J_SD + i] = (su + sv) * c[INVERSE_SD]
        w[ws.J_LEVEL + i] = 1.0
        w[ws.J_CONTRAST + i] = a + b - a * b + slant * w[ws.Z1 + i]
        dh = ra * w[ws.AH + i] * B + rb * w[ws.CH + i] * E
        w[ws.J_BAR + i] = dh + steep * w[ws.F2 + i]
        w[ws.MODEL + i] = p[LEVEL] + p[CONTRAST] * w[ws.J_CONTRAST + i]
    fill_along_sides(p, c, w)
    for i in range(BLOCK):
        corner = w[ws.Z1 + i]
        w[ws.J_UX + i] += corner * t2
        w[ws.J_UY + i] += corner * t3
        w[ws.J_VX + i] += corner * t4
        w[ws.J_VY + i] += corner * t5
    clear_derivatives(w, 12, 15)


@njit(cache=True, error_model="numpy")
def _fill_still(
    kind: int, p: Array, q: Array, c: Array, template: Array, along: float, w: Array
) -> None:
    """Grey and derivatives with the mark `along` of its motion from the middle."""
    x, y = p[CENTRE_X] + along * q[MOTION_X], p[CENTRE_Y] + along * q[MOTION_Y]
    for i in range(BLOCK):
        w[ws.DX + i] = w[ws.X + i] - x
        w[ws.DY + i] = w[ws.Y + i] - y
    if kind == QUADRANT:
        fill_quadrant(p, q, c, w)
    elif kind == RINGS:
        _fill_rings(p, q, c, w)
    elif kind == CROSS:
        _fill_cross(p, c, w)
    else:
        fill_texture(p, q, template, w)
        clear_derivatives(w, 11, 15)


@njit(cache=True, error_model="numpy")
def fill_grey(kind: int, p: Array, q: Array, c: Array, template: Array, w: Array) -> None:
    """Rows MODEL and J (16) of w: grey of the pixels in rows X and Y, and its derivatives by p,
    those but by the lighting (9, 10) still to be multiplied by row ALONG.

    c (16) comes from `prepare`.
    """
    steps = int(q[PATH_POINTS])
    if steps == 0:
        _fill_still(kind, p, q, c, template, 0.0, w)
    else:
        for i in range(_ALL_ROWS * BLOCK):
            w[ws.SUM + i] = 0.0
        for n in range(2 * steps):
            along = (n // 2 + 0.5 + (n % 2 - 0.5) * _GAUSS) / steps - 0.5
            _fill_still(kind, p, q, c, template, along, w)
            for i in range(_ALL_ROWS * BLOCK):
                w[ws.SUM + i] += w[ws.MODEL + i]
        for i in range(_ALL_ROWS * BLOCK):
            w[ws.MODEL + i] = w[ws.SUM + i] / (2 * steps)
    for i in range(BLOCK):
        # Moving the mark moves the lighting with it; the greys take that up exactly, so it is
        # left out.
        dx, dy = w[ws.X + i] - p[CENTRE_X], w[ws.Y + i] - p[CENTRE_Y]
        w[ws.ALONG + i] = 1.0 + p[LIGHT_X] * dx + p[LIGHT_Y] * dy
        w[ws.J_LIGHT_X + i] = w[ws.MODEL + i] * dx
        w[ws.J_LIGHT_Y + i] = w[ws.MODEL + i] * dy
        w[ws.MODEL + i] *= w[ws.ALONG + i]


@njit(cache=True, error_model="numpy")
def load_block(pixels: Array, first: int, p: Array, w: Array) -> None:
    """A block of the pixel list into w, filled up behind its end."""
    here = min(pixels.shape[1] - first, BLOCK)
    for i in range(here):
        w[ws.X + i] = pixels[0, first + i]
        w[ws.Y + i] = pixels[1, first + i]
        w[ws.GREY + i] = pixels[2, first + i]
    for i in range(here, BLOCK):
        w[ws.X + i], w[ws.Y + i], w[ws.GREY + i] = p[CENTRE_X], p[CENTRE_Y], 0.0


@njit(cache=True, error_model="numpy")
def model_grey(mark: MarkRow, pixels: Array) -> Array:
    """The model's grey at pixels (3, m: x, y, grey), not clipped."""
    kind, p, q, template = mark
    c, w = np.zeros(PREPARED), np.zeros(ws.WORK)
    prepare_row(kind, p, q, c)
    found = np.empty(pixels.shape[1])
    for first in range(0, len(found), BLOCK):
        load_block(pixels, first, p, w)
        fill_grey(kind, p, q, c, template, w)
        for i in range(min(len(found) - first, BLOCK)):
            found[first + i] = w[ws.MODEL + i]
    return found
