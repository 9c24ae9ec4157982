"""How far a fit may move each parameter from where it starts, as prior precisions (1/sd²)."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from calibration.arrays import Array
from tracker.marks.fit_inputs import FitPrior
from tracker.marks.options import MARKS
from tracker.marks.packing import AFFINE, HOLD, LIGHT, MarkRows
from tracker.marks.parameters import (
    BAR_HALF,
    CENTRE_X,
    CENTRE_Y,
    CONTRAST,
    CROSS,
    EDGE_SD,
    LEVEL,
    LIGHT_X,
    LIGHT_Y,
    NONE,
    OUTLINE,
    OWN,
    PARAMETERS,
    PATCH,
    QUADRANT,
    RING_EDGES,
    RING_RADIUS,
    RING_STEP,
    RING_STRIDE,
    RINGS,
    SECTOR_OFFSET,
    W_UX,
    W_UY,
    W_VX,
    W_VY,
)

_DRIFT = MARKS.light_drift
_AFFINE_SD, _PATCH_SD, _BARE_SD = MARKS.affine_sd, MARKS.affine_sd_patch, MARKS.affine_sd_bare
_BLUR_SD, _GREY_SD, _LIGHT_SD = MARKS.blur_sd, MARKS.grey_sd, MARKS.light_sd
_PROPORTION_SD, _STEP_SD = MARKS.proportion_sd, MARKS.step_sd
_FITTED_EDGES = 2
"""Inner edges of a ring that a row has places for."""


def loose_prior(rows: MarkRows, extras: bool = False, gradient_u: Array | None = None) -> FitPrior:
    """Round where the rows are, everything free that the pixels can determine: for clean marks.

    The lighting is free but for what `gradient_u` (n,) says of it and its usual drift. With
    `extras` also what the paint alone decides: opening, radii, bar.
    """
    light = np.full(len(rows.p), np.inf) if gradient_u is None else gradient_u
    precision = np.zeros((len(rows.p), PARAMETERS))
    _fill_loose(rows, light, extras, precision)
    return FitPrior(rows.p, precision)


@njit(cache=True, error_model="numpy")
def _fill_loose(rows: MarkRows, light: Array, extras: bool, precision: Array) -> None:
    kinds, p, q = rows.kinds, rows.p, rows.q
    for k in range(len(kinds)):
        kind, bare = kinds[k], q[k, OUTLINE] == NONE
        W = math.sqrt(0.5 * (p[k, W_UX] ** 2 + p[k, W_UY] ** 2 + p[k, W_VX] ** 2 + p[k, W_VY] ** 2))
        C = max(abs(p[k, CONTRAST]), 1.0)
        sd = np.zeros(PARAMETERS)
        sd[CENTRE_X] = sd[CENTRE_Y] = np.inf
        affine = _AFFINE_SD * W
        if kind == PATCH:
            affine = _PATCH_SD * W
        elif kind == QUADRANT and bare:
            affine = _BARE_SD * W  # nothing but the lines' directions is seen
        sd[W_UX] = sd[W_UY] = sd[W_VX] = sd[W_VY] = affine
        sd[EDGE_SD] = 0.0 if kind == PATCH else _BLUR_SD
        sd[LEVEL] = sd[CONTRAST] = _GREY_SD * C
        sd[LIGHT_X] = sd[LIGHT_Y] = min(_LIGHT_SD * W, math.hypot(light[k], _DRIFT * W))
        if kind == QUADRANT and not bare:
            sd[SECTOR_OFFSET] = _GREY_SD * C
        if extras and kind == CROSS:
            sd[BAR_HALF] = _PROPORTION_SD
        if extras and kind == RINGS:
            for i in range(min(int(q[k, RING_EDGES]), _FITTED_EDGES)):
                sd[RING_RADIUS + RING_STRIDE * i] = _PROPORTION_SD
                sd[RING_STEP + RING_STRIDE * i] = _STEP_SD
        for i in range(PARAMETERS):
            precision[k, i] = min(1.0 / sd[i] ** 2, HOLD)


def tight_prior(rows: MarkRows, gradient_u: Array, brightness_known: bool) -> FitPrior:
    """Round where the rows are, only the place, and within little the greys, free: for marks that
    are partly covered.

    brightness_known : whether other marks show the picture's brightness.
    """
    W = np.sqrt(np.sum(rows.p[:, AFFINE] ** 2, axis=1) / 2.0)
    C = np.maximum(np.abs(rows.p[:, CONTRAST]), 1.0)
    grey = (MARKS.occluded_grey_sd_known if brightness_known else MARKS.occluded_grey_sd) * C
    drift = MARKS.occluded_light_drift * MARKS.light_drift * W
    light = np.minimum(np.hypot(gradient_u, drift), MARKS.occluded_light_sd * W)
    sd = np.full((len(W), PARAMETERS), np.inf)
    sd[:, AFFINE] = MARKS.occluded_affine_sd * W[:, None]
    sd[:, EDGE_SD] = MARKS.occluded_blur_sd
    sd[:, LEVEL] = sd[:, CONTRAST] = grey
    sd[:, LIGHT] = light[:, None]
    sd[:, OWN:] = 0.0
    sd[rows.kinds == QUADRANT, SECTOR_OFFSET] = grey[rows.kinds == QUADRANT]
    sd[rows.kinds == PATCH, EDGE_SD] = 0.0
    with np.errstate(divide="ignore"):
        return FitPrior(rows.p, np.minimum(1.0 / sd**2, HOLD))
