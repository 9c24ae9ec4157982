"""How far a fit may move each parameter from where it starts, as prior precisions (1/sd²)."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks.image_model import CROSS, NONE, PARAMETERS, PATCH, QUADRANT, RINGS
from tracker.marks.packing import HOLD, Rows


def _scaled(rows: Rows) -> tuple[Array, Array]:
    """Size of the entries of the inverse affine, and of the contrast, for each mark."""
    W = np.sqrt(np.sum(rows.p[:, 2:6] ** 2, axis=1) / 2.0)
    return W, np.maximum(np.abs(rows.p[:, 8]), 1.0)


DRIFT = 5e-4
"""Change of the lighting across half a mark that is usual from one picture to the next."""


def loose(rows: Rows, extras: bool = False, gradient_u: Array | None = None) -> Array:
    """Everything free that the pixels can determine: for marks seen clean.

    The lighting is free but for what `gradient_u` (n,) says of it and its usual `DRIFT`. With
    `extras` also what the paint alone decides: opening, radii, bar.
    """
    light = np.full(len(rows.p), np.inf) if gradient_u is None else gradient_u
    precision = np.zeros((len(rows.p), PARAMETERS))
    _loosen(rows.kinds, rows.p, rows.q, light, extras, precision)
    return precision


@njit(cache=True, error_model="numpy")
def _loosen(
    kinds: NDArray[np.int64], p: Array, q: Array, light: Array, extras: bool, precision: Array
) -> None:
    for k in range(len(kinds)):
        kind, bare = kinds[k], q[k, 5] == NONE
        W = math.sqrt(0.5 * (p[k, 2] ** 2 + p[k, 3] ** 2 + p[k, 4] ** 2 + p[k, 5] ** 2))
        C = max(abs(p[k, 8]), 1.0)
        sd = np.zeros(PARAMETERS)
        sd[:2] = np.inf
        sd[2:6] = 0.5 * W
        if kind == PATCH:
            sd[2:6] = 0.2 * W
        elif kind == QUADRANT and bare:
            sd[2:6] = 0.05 * W  # nothing but the lines' directions is seen
        sd[6] = 0.0 if kind == PATCH else 1.0
        sd[7:9] = 10.0 * C
        sd[9:11] = min(0.5 * W, math.hypot(light[k], DRIFT * W))
        if kind == QUADRANT and not bare:
            sd[11] = 10.0 * C
        if extras and kind == CROSS:
            sd[11] = 0.3
        if extras and kind == RINGS:
            for i in range(min(int(q[k, 6]), 2)):
                sd[11 + 2 * i], sd[12 + 2 * i] = 0.3, 2.0
        for i in range(PARAMETERS):
            precision[k, i] = min(1.0 / sd[i] ** 2, HOLD)


def held(rows: Rows, gradient_u: Array, bright: bool) -> Array:
    """Only the place, and within little the greys, are free: for marks partly covered.

    bright : whether the picture's brightness is known from other marks.
    """
    W, C = _scaled(rows)
    grey = 0.01 if bright else 0.04
    sd = np.full((len(W), PARAMETERS), np.inf)
    sd[:, 2:6] = 0.003 * W[:, None]
    sd[:, 6] = 0.02
    sd[:, 7] = sd[:, 8] = grey * C
    sd[:, 9:11] = np.minimum(np.hypot(gradient_u, 2.0 * DRIFT * W), 0.02 * W)[:, None]
    sd[:, 11:] = 0.0
    sd[rows.kinds == QUADRANT, 11] = grey * C[rows.kinds == QUADRANT]
    sd[rows.kinds == PATCH, 6] = 0.0
    return _precision(sd)


def _precision(sd: Array) -> Array:
    with np.errstate(divide="ignore"):
        return np.minimum(1.0 / sd**2, HOLD)
