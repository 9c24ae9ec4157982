"""What speaks against a fit. Compiled."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.arrays import Array

PART = "too little of it is visible"
FAULTS = (
    "",
    "it lies outside the picture or is covered",
    "the fit does not settle",
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
LIFELESS = 0.25
"""Residual over noise below which what is left of a mark shows no noise: it is clipped."""
OFF = 0.7
"""Distance in px from its start at which a mark's window was off."""
JUMP = 3.0
"""Change of the lighting in its prior standard deviations from which the prior was wrong."""


@njit(cache=True, error_model="numpy")
def judge(
    before: Array,
    after: Array,
    out: Array,
    window: Array,
    sigma: Array,
    ratio_limit: float,
    visible_limit: float,
    search_px: float,
) -> NDArray[np.int64]:
    """What speaks against each of n fits: its number in `FAULTS`, 0 for nothing.

    before, after (n, PARAMETERS); out (n, OUTPUTS) of the fit; window (n,) pixels of each window;
    sigma (n,) noise.
    """
    found = np.zeros(len(before), np.int64)
    for k in range(len(before)):
        a, b, o = before[k], after[k], out[k]
        visible, ratio = o[4] / max(window[k], 1.0), math.sqrt(o[3]) / sigma[k]
        gain = b[8] / a[8]
        old, new = a[2] * a[5] - a[3] * a[4], b[2] * b[5] - b[3] * b[4]
        growth = math.sqrt(abs(old / new))
        tests = (
            visible <= 0.2,
            o[5] <= 0,
            ratio < LIFELESS and visible < 0.5,
            math.hypot(b[0] - a[0], b[1] - a[1]) > search_px,
            gain <= 0,
            gain < 0.33 or gain > 3.0,
            abs(b[8]) < 6.0 * o[7],
            growth < 0.7 or growth > 1.4,
            visible < visible_limit,
            ratio > ratio_limit,
            not o[0] + o[2] < 1.0,
        )
        for i in range(len(tests)):
            if tests[i]:
                found[k] = i + 1
                break
    return found


@njit(cache=True, error_model="numpy")
def off_start(
    before: Array, after: Array, out: Array, precision: Array, light: Array, search_px: float
) -> tuple[NDArray[np.int64], Array]:
    """Which fits are to be done again, as their window was off or their lighting jumped; and
    `light` (n,) without what was wrongly known of it.
    """
    unlit, again = light.copy(), np.zeros(len(before), np.bool_)
    for k in range(len(before)):
        a, b = before[k], after[k]
        moved = math.hypot(b[0] - a[0], b[1] - a[1])
        jump = max(abs(b[9] - a[9]), abs(b[10] - a[10])) * math.sqrt(precision[k, 9])
        if jump > JUMP:
            unlit[k] = math.inf
        again[k] = out[k, 5] > 0 and (OFF < moved < search_px or jump > JUMP)
    return np.flatnonzero(again), unlit


@njit(cache=True, error_model="numpy")
def widen(out: Array, sigma: Array, share: float, usual: float) -> None:
    """Widens the covariances of place in out (n, OUTPUTS) for what doesn't fit: a residual that is
    more than noise is smooth, and a part of its energy, `share`, looks like a shift.

    usual : mean square of the residual over the noise where all fits.
    """
    for k in range(len(out)):
        pixels = max(out[k, 4], 1.0)
        excess = out[k, 3] / (sigma[k] * sigma[k]) - usual - 2.0 * math.sqrt(2.0 / pixels)
        out[k, :3] *= 1.0 + share * pixels * max(excess, 0.0)
