"""How far the middle of a disc's picture is from the picture of its middle.

A disc of radius r whose plane is turned by t from square to the line of sight shows as an ellipse
of half axes a = f r / D and b = a cos t. Its middle is off the picture of the disc's middle along b
by f r^2 sin t cos t / D^2 = b sqrt(a^2 - b^2) / f, to the side that is nearer (first term in r / D:
Heikkila and Silven 1997, "A four-step camera calibration procedure with implicit image
correction", from memory). One picture of a disc does not show which side that is: it counts as a
standard uncertainty.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks.packing import AFFINE
from tracker.marks.parameters import RINGS


def perspective_covariance(p: Array, kinds: NDArray[np.int64], focal: float) -> Array:
    """Covariance (n, 2, 2) px² that perspective adds to discs and rings; 0 for other marks.

    p : (n, PARAMETERS) of fitted marks. kinds : (n,) their models. focal : focal length, px.
    """
    out = np.zeros((len(p), 2, 2))
    index = np.flatnonzero(kinds == RINGS)
    if len(index) == 0:
        return out
    ux, uy, vx, vy = p[index, AFFINE].T
    det = ux * vy - uy * vx
    # M = A A^T of the mark's affine A, the inverse of this
    xx = (vy**2 + uy**2) / det**2
    yy = (ux**2 + vx**2) / det**2
    xy = -(vx * vy + ux * uy) / det**2
    half = np.hypot(0.5 * (xx - yy), xy)
    long, short = 0.5 * (xx + yy) + half, 0.5 * (xx + yy) - half
    scale = np.maximum(short, 0.0) / focal**2
    # b^2 (a^2 - b^2) on the short axis: b^2 (a^2 I - M)
    out[index, 0, 0], out[index, 1, 1] = scale * (long - xx), scale * (long - yy)
    out[index, 0, 1] = out[index, 1, 0] = -scale * xy
    return np.nan_to_num(out, posinf=0.0, neginf=0.0)
