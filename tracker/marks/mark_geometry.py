"""Where the pixels of a block lie on a mark, and derivatives that several models share. Compiled.

Rows of the work space w are named in `tracker.marks.workspace`, places of p, q and c in
`tracker.marks.parameters`.
"""

from __future__ import annotations

import math

from numba import njit

from calibration.arrays import Array
from tracker.marks import workspace as ws
from tracker.marks.parameters import (
    INVERSE_SD,
    NEAREST,
    TILT_X,
    TILT_Y,
    U_LENGTH,
    V_LENGTH,
    W_UX,
    W_UY,
    W_VX,
    W_VY,
)
from tracker.marks.workspace import BLOCK

_OFF_CENTRE = 1e-9
"""Mark units; at the centre itself no direction is defined."""


@njit(cache=True, error_model="numpy")
def fill_plane(p: Array, c: Array, w: Array) -> None:
    """Mark units u, v of the block and their gradients in the picture."""
    for i in range(BLOCK):
        dx, dy = w[ws.DX + i], w[ws.DY + i]
        D = 1.0 / max(1.0 - c[TILT_X] * dx - c[TILT_Y] * dy, NEAREST)
        u, v = (p[W_UX] * dx + p[W_UY] * dy) * D, (p[W_VX] * dx + p[W_VY] * dy) * D
        w[ws.D + i], w[ws.U + i], w[ws.V + i] = D, u, v
        w[ws.UX + i], w[ws.UY + i] = (p[W_UX] + u * c[TILT_X]) * D, (p[W_UY] + u * c[TILT_Y]) * D
        w[ws.VX + i], w[ws.VY + i] = (p[W_VX] + v * c[TILT_X]) * D, (p[W_VY] + v * c[TILT_Y]) * D


@njit(cache=True, error_model="numpy")
def fill_circle(p: Array, c: Array, w: Array) -> None:
    """Radius |m|, k = 1/(|grad |m|| s), the direction m / |m|, and what gradients need."""
    for i in range(BLOCK):
        dx, dy = w[ws.DX + i], w[ws.DY + i]
        D = 1.0 / max(1.0 - c[TILT_X] * dx - c[TILT_Y] * dy, NEAREST)
        u = (p[W_UX] * dx + p[W_UY] * dy) * D + _OFF_CENTRE
        v = (p[W_VX] * dx + p[W_VY] * dy) * D
        rho = math.sqrt(u * u + v * v)
        inverse = 1.0 / rho
        u *= inverse
        v *= inverse
        gx = (u * p[W_UX] + v * p[W_VX] + rho * c[TILT_X]) * D
        gy = (u * p[W_UY] + v * p[W_VY] + rho * c[TILT_Y]) * D
        g2 = 1.0 / (gx * gx + gy * gy)
        w[ws.D + i], w[ws.U + i], w[ws.V + i] = D, u, v
        w[ws.RHO + i], w[ws.K + i] = rho, math.sqrt(g2) * c[INVERSE_SD]
        w[ws.GX + i], w[ws.GY + i], w[ws.G2 + i] = gx, gy, g2


@njit(cache=True, error_model="numpy")
def fill_outward(p: Array, w: Array) -> None:
    """J[0..5] for a grey that changes by row WEIGHT with |m| and by ALONG with log k.

    The change of k leaves the perspective out; it vanishes on the outline itself.
    """
    for i in range(BLOCK):
        u, v, gx, gy, g2 = (
            w[ws.U + i],
            w[ws.V + i],
            w[ws.GX + i],
            w[ws.GY + i],
            w[ws.G2 + i],
        )
        weight, along = w[ws.WEIGHT + i], w[ws.ALONG + i]
        over = along / w[ws.RHO + i]
        eu = over * (u - (p[W_UX] * gx + p[W_UY] * gy) * g2)
        ev = over * (v - (p[W_VX] * gx + p[W_VY] * gy) * g2)
        kx, ky = along * g2 * gx, along * g2 * gy
        wu, wv = weight * u * w[ws.D + i] + eu, weight * v * w[ws.D + i] + ev
        w[ws.J_X + i] = -weight * gx - eu * p[W_UX] - ev * p[W_VX]
        w[ws.J_Y + i] = -weight * gy - eu * p[W_UY] - ev * p[W_VY]
        w[ws.J_UX + i] = wu * w[ws.DX + i] - kx * u
        w[ws.J_UY + i] = wu * w[ws.DY + i] - ky * u
        w[ws.J_VX + i] = wv * w[ws.DX + i] - kx * v
        w[ws.J_VY + i] = wv * w[ws.DY + i] - ky * v


@njit(cache=True, error_model="numpy")
def clear_derivatives(w: Array, first: int, last: int) -> None:
    """Derivatives first..last are zero."""
    for i in range(ws.J + first * BLOCK, ws.J + (last + 1) * BLOCK):
        w[i] = 0.0


@njit(cache=True, error_model="numpy")
def fill_widths(c: Array, w: Array) -> None:
    """Mark units u and v to standard deviations of an edge across them: k of `_strip`."""
    for i in range(BLOCK):
        w[ws.KU + i] = c[INVERSE_SD] / math.sqrt(
            w[ws.UX + i] * w[ws.UX + i] + w[ws.UY + i] * w[ws.UY + i]
        )
        w[ws.KV + i] = c[INVERSE_SD] / math.sqrt(
            w[ws.VX + i] * w[ws.VX + i] + w[ws.VY + i] * w[ws.VY + i]
        )


@njit(cache=True, error_model="numpy")
def fill_along_sides(p: Array, c: Array, w: Array) -> None:
    """J[0..5] for a grey that changes by WU, WV with u and v, by SU, SV with the log of
    their k.
    """
    nu, nv = 1.0 / (c[U_LENGTH] * c[U_LENGTH]), 1.0 / (c[V_LENGTH] * c[V_LENGTH])
    for i in range(BLOCK):
        dx, dy = w[ws.DX + i], w[ws.DY + i]
        wu, wv = w[ws.WU + i], w[ws.WV + i]
        w[ws.J_X + i] = -(wu * w[ws.UX + i] + wv * w[ws.VX + i])
        w[ws.J_Y + i] = -(wu * w[ws.UY + i] + wv * w[ws.VY + i])
        wu, wv = wu * w[ws.D + i], wv * w[ws.D + i]
        w[ws.J_UX + i] = wu * dx + w[ws.SU + i] * nu * p[W_UX]
        w[ws.J_UY + i] = wu * dy + w[ws.SU + i] * nu * p[W_UY]
        w[ws.J_VX + i] = wv * dx + w[ws.SV + i] * nv * p[W_VX]
        w[ws.J_VY + i] = wv * dy + w[ws.SV + i] * nv * p[W_VY]
