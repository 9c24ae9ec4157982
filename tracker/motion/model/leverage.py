"""Variance of predicted marks, compiled: what a fit took from each mark."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model.kernels import LOCAL, PLACE, MarkTerms, SplineColumns, fast
from tracker.motion.model.spline import SPLINE_ORDER
from tracker.motion.model.unknowns import CAMERA_UNKNOWNS, COMPONENTS


@fast
def sum_leverage(terms: MarkTerms, splines: SplineColumns, covariance: Array, out: Array) -> None:
    """Variance of what is predicted of each mark, both coordinates together, in its own sds.

    Parameters
    ----------
    terms : derivatives of the marks; those of weight 0 are skipped.
    splines : the columns that each frame touches.
    covariance : (n, n) of the unknowns, columns as in `kernels`.
    out : (frames, marks), filled.
    """
    frames, marks = terms.weight.shape
    shared_start = len(covariance) - CAMERA_UNKNOWNS - PLACE * marks
    row = np.empty(LOCAL + CAMERA_UNKNOWNS + PLACE)
    place = np.empty(len(row), np.int64)
    for f in range(frames):
        for m in range(marks):
            if terms.weight[f, m] == 0.0:
                continue
            b = terms.body[m]
            base = splines.start[b] + COMPONENTS * splines.first[b, f]
            for k in range(LOCAL):
                place[k] = base + k
            for k in range(CAMERA_UNKNOWNS):
                place[LOCAL + k] = shared_start + k
            for k in range(PLACE):
                place[LOCAL + CAMERA_UNKNOWNS + k] = shared_start + CAMERA_UNKNOWNS + PLACE * m + k
            total = 0.0
            for i in range(2):
                for a in range(SPLINE_ORDER):
                    for j in range(COMPONENTS):
                        row[COMPONENTS * a + j] = splines.value[b, f, a] * terms.pose[f, m, i, j]
                for k in range(CAMERA_UNKNOWNS):
                    row[LOCAL + k] = terms.shared[f, m, i, k]
                for k in range(PLACE):
                    row[LOCAL + CAMERA_UNKNOWNS + k] = terms.own[f, m, i, k]
                total = _add_quadratic(total, row, place, covariance)
            out[f, m] = total


@fast
def _add_quadratic(total: float, row: Array, place: NDArray[np.int64], covariance: Array) -> float:
    """`total` plus the quadratic form of a row, on the columns `place`, in the covariance."""
    for j in range(len(row)):
        v = 0.5 * row[j] * covariance[place[j], place[j]]
        for k in range(j):
            v += row[k] * covariance[place[j], place[k]]
        total += 2.0 * row[j] * v
    return total
