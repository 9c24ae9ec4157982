"""What speaks against a fit. Compiled."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks.options import MARKS
from tracker.marks.parameters import (
    CENTRE_X,
    CENTRE_Y,
    CONTRAST,
    CONTRAST_SD,
    LIGHT_X,
    LIGHT_Y,
    PASSES,
    RESIDUAL_VARIANCE,
    VAR_UU,
    VAR_VV,
    W_UX,
    W_UY,
    W_VX,
    W_VY,
    WEIGHT_SUM,
)

PART = "too little of it is visible"
FAULTS = (
    "",
    "it lies outside the picture or is covered",
    "the fit does not converge",
    "it is burnt out",
    "it is not where it was expected",
    "light and dark are exchanged",
    "its contrast is not the mark's",
    "it does not stand out from the noise",
    "its size is not the mark's",
    PART,
    "it does not look like the mark",
    "its place is not determined",
)
"""What can speak against a measurement; the first says that nothing does."""
_COVERED = MARKS.fault_visible
_LIFELESS, _LIFELESS_VISIBLE = MARKS.lifeless_ratio, MARKS.lifeless_visible
_CONTRAST_LOW, _CONTRAST_HIGH = MARKS.contrast_low, MARKS.contrast_high
_SIGNIFICANT = MARKS.contrast_significance
_GROWTH_LOW, _GROWTH_HIGH = MARKS.growth_low, MARKS.growth_high
_PLACE_VARIANCE = MARKS.place_variance
_WINDOW_OFF, _LIGHT_JUMP = MARKS.window_off, MARKS.light_jump


class FitLimits(NamedTuple):
    """What a fit may be and still be believed."""

    ratio: float  # most residual over noise
    visible: float  # least visible part
    search: float  # px from the prediction


@njit(cache=True, error_model="numpy")
def fault_numbers(
    before: Array,
    after: Array,
    out: Array,
    window: Array,
    sigma: Array,
    limits: FitLimits,
) -> NDArray[np.int64]:
    """What speaks against each of n fits: its number in `FAULTS`, 0 for nothing.

    before, after (n, PARAMETERS); out (n, OUTPUTS) of the fit; window (n,) pixels of each window;
    sigma (n,) noise.
    """
    found = np.zeros(len(before), np.int64)
    for k in range(len(before)):
        a, b, o = before[k], after[k], out[k]
        visible = o[WEIGHT_SUM] / max(window[k], 1.0)
        ratio = math.sqrt(o[RESIDUAL_VARIANCE]) / sigma[k]
        gain = b[CONTRAST] / a[CONTRAST]
        old = a[W_UX] * a[W_VY] - a[W_UY] * a[W_VX]
        new = b[W_UX] * b[W_VY] - b[W_UY] * b[W_VX]
        growth = math.sqrt(abs(old / new))
        tests = (
            visible <= _COVERED,
            o[PASSES] <= 0,
            ratio < _LIFELESS and visible < _LIFELESS_VISIBLE,
            math.hypot(b[CENTRE_X] - a[CENTRE_X], b[CENTRE_Y] - a[CENTRE_Y]) > limits.search,
            gain <= 0,
            gain < _CONTRAST_LOW or gain > _CONTRAST_HIGH,
            abs(b[CONTRAST]) < _SIGNIFICANT * o[CONTRAST_SD],
            growth < _GROWTH_LOW or growth > _GROWTH_HIGH,
            visible < limits.visible,
            ratio > limits.ratio,
            not o[VAR_UU] + o[VAR_VV] < _PLACE_VARIANCE,
        )
        for i in range(len(tests)):
            if tests[i]:
                found[k] = i + 1
                break
    return found


@njit(cache=True, error_model="numpy")
def fits_to_repeat(
    before: Array, after: Array, out: Array, precision: Array, light: Array, search_px: float
) -> tuple[NDArray[np.int64], Array]:
    """Which fits are to be done again, as their window was off or their lighting jumped; and
    `light` (n,) without what was wrongly known of it.
    """
    unlit, again = light.copy(), np.zeros(len(before), np.bool_)
    for k in range(len(before)):
        a, b = before[k], after[k]
        shift = math.hypot(b[CENTRE_X] - a[CENTRE_X], b[CENTRE_Y] - a[CENTRE_Y])
        change = max(abs(b[LIGHT_X] - a[LIGHT_X]), abs(b[LIGHT_Y] - a[LIGHT_Y]))
        jump = change * math.sqrt(precision[k, LIGHT_X])
        if jump > _LIGHT_JUMP:
            unlit[k] = math.inf
        off = _WINDOW_OFF < shift < search_px
        again[k] = out[k, PASSES] > 0 and (off or jump > _LIGHT_JUMP)
    return np.flatnonzero(again), unlit


@njit(cache=True, error_model="numpy")
def widen_covariance(out: Array, sigma: Array, share: float, usual: float) -> None:
    """Widens the covariances of place in out (n, OUTPUTS) for what doesn't fit: a residual that is
    more than noise is smooth, and a part of its energy, `share`, looks like a shift.

    usual : mean square of the residual over the noise where all fits.
    """
    for k in range(len(out)):
        pixels = max(out[k, WEIGHT_SUM], 1.0)
        excess = (
            out[k, RESIDUAL_VARIANCE] / (sigma[k] * sigma[k])
            - usual
            - 2.0 * math.sqrt(2.0 / pixels)
        )
        out[k, VAR_UU : VAR_VV + 1] *= 1.0 + share * pixels * max(excess, 0.0)
