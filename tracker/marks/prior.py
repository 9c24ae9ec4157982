"""How far a fit may move each parameter from where it starts, as prior precisions (1/sd²)."""

from __future__ import annotations

import numpy as np

from calibration.camera import Array
from tracker.marks.model import CROSS, NONE, PARAMETERS, PATCH, QUADRANT, RINGS
from tracker.marks.pack import HOLD, Rows


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
    W, C = _scaled(rows)
    sd = np.full((len(W), PARAMETERS), np.inf)
    sd[:, 2:6] = 0.5 * W[:, None]
    sd[:, 6] = 1.0
    sd[:, 7] = sd[:, 8] = 10.0 * C
    sd[:, 9:11] = 0.5 * W[:, None]
    if gradient_u is not None:
        sd[:, 9] = np.minimum(sd[:, 9], np.hypot(gradient_u, DRIFT * W))
        sd[:, 10] = sd[:, 9]
    sd[:, 11:] = 0.0
    quadrant = rows.kinds == QUADRANT
    outlined = quadrant & (rows.q[:, 5] != NONE)
    sd[outlined, 11] = 10.0 * C[outlined]
    sd[quadrant & ~outlined, 2:6] *= 0.1  # nothing but the lines' directions is seen
    if extras:
        sd[rows.kinds == CROSS, 11] = 0.3
        for i in range(2):
            ring = (rows.kinds == RINGS) & (rows.q[:, 6] > i)
            sd[ring, 11 + 2 * i], sd[ring, 12 + 2 * i] = 0.3, 2.0
    patch = rows.kinds == PATCH
    sd[patch, 2:6] = 0.2 * W[patch, None]
    sd[patch, 6] = 0.0
    return _precision(sd)


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
