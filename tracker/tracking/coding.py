"""What a film's coding adds to the places of marks.

A coder takes a moving block from the frame before, shifted by quarters of a pixel, and leaves out
what is smaller than its quantiser's step (ITU-T H.264, 8.4.2.2). A mark's edge of contrast A that
is e px off its place differs by A e there: up to a share of step / A it stays off. No residual
shows it, since the decoded picture is a sound picture of a mark at the wrong place. A mark that
stands still is not taken from elsewhere: its error is that of the grain, which the fit sees.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d

from calibration.arrays import Array
from tracker.tracking.options import TRACKING


def coding_covariance(place: Array, contrast: Array, step: Array) -> Array:
    """Covariance (frames, marks, 2, 2) px² that coding adds to measured places; 0 without coding.

    place : (frames, marks, 2) px, NaN where not measured. contrast : (frames, marks) grey.
    step : (frames,) grey to which each frame's transforms were rounded; 0 where none is known: of
        a coded film that is taken for the usual one.
    """
    out = np.zeros((*contrast.shape, 2, 2))
    if not step.any():
        return out
    usual = float(np.median(step[step > 0]))
    share = TRACKING.coding_share * np.where(step > 0, step, usual)[:, None]
    off = np.nan_to_num(share / np.hypot(contrast, share / TRACKING.coding_most))
    way = _mean_velocity(place)
    moving = way**2 / (way**2 + TRACKING.coding_still**2)
    for axis in (0, 1):
        out[..., axis, axis] = off**2 * moving[..., axis]
    return out


def _mean_velocity(place: Array) -> Array:
    """Mean velocity (frames, marks, 2), px a frame, over the frames beside each; 0 if unknown."""
    steps = np.diff(place, axis=0, prepend=np.full((1, *place.shape[1:]), np.nan))
    known = np.isfinite(steps)
    width = min(TRACKING.coding_frames, len(place))
    total, count = (
        uniform_filter1d(np.where(known, each, 0.0), width, axis=0, mode="constant")
        for each in (steps, 1.0)
    )
    return np.asarray(total / np.maximum(count, 1e-9))
