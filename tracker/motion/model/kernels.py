"""Sums over marks and frames, compiled: normal equations in the B-spline basis, and what a fit took
from each mark.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.arrays import Array

_fast = njit(cache=True, nogil=True, error_model="numpy")
COMPONENTS, SPLINE_ORDER, CAMERA_UNKNOWNS = 6, 4, 17


@_fast
def sum_equations(
    pose: Array,
    shared: Array,
    own: Array,
    residual: Array,
    weight: Array,
    common: Array,
    body: NDArray[np.int64],
    start: NDArray[np.int64],
    first: NDArray[np.int64],
    spline: Array,
    matrix: Array,
    side: Array,
    knot: NDArray[np.int64],
    linear_weights: Array,
    knots: int,
    error_rows: Array,
) -> None:
    """Adds one eye's marks to `matrix` (n, n), `side` (n,) and `drift` (marks 2 knots, n).

    Parameters
    ----------
    pose, shared, own, residual : (frames, marks, 2, 6 | 17 | 3 |) derivatives and residuals.
    weight : (frames, marks); marks of weight 0 are skipped.
    common : (frames, marks, 2, k) px by a unit of each error shared by a frame's marks, eliminated.
    body : (marks,); start (bodies,) its first column; first (bodies, frames), spline (bodies,
        frames, 4) the B-splines that each instant touches.
    knot, hat : (frames,), (frames, 2) the knots of slowly varying errors that a frame lies
        between, and their weights; `drift` rows are sums of the weighted rows of `matrix` by them.

    Columns: all bodies' coefficients, the eye's 17, three a mark. The block below the coefficients
    is left to the caller (it is the transpose).
    """
    frames, marks = weight.shape
    bodies, shares = len(start), common.shape[3]
    n = matrix.shape[0]
    shared_start = n - CAMERA_UNKNOWNS - 3 * marks
    marker_start = shared_start + CAMERA_UNKNOWNS
    local = SPLINE_ORDER * COMPONENTS
    splines, others = local * bodies, CAMERA_UNKNOWNS + 3 * marks
    wide = splines + others
    place = np.empty(wide, np.int64)  # ascending
    for k in range(others):
        place[splines + k] = shared_start + k
    rows = np.empty((shares, wide))
    pp = np.empty((bodies, COMPONENTS, COMPONENTS))
    ps = np.empty((bodies, COMPONENTS, CAMERA_UNKNOWNS))
    gp = np.empty((bodies, COMPONENTS))
    raw_pose, raw_other = (
        np.empty((shares, bodies, COMPONENTS)),
        np.empty((shares, CAMERA_UNKNOWNS + 3 * marks)),
    )
    raw_side, gram = np.empty(shares), np.empty((shares, shares))
    along, shared_part = np.empty(shares), np.empty(wide)
    po = np.empty((COMPONENTS, 3))
    for f in range(frames):
        pp[:] = 0.0
        ps[:] = 0.0
        gp[:] = 0.0
        if shares:
            raw_pose[:] = 0.0
            raw_other[:] = 0.0
            raw_side[:] = 0.0
            gram[:] = 0.0
        for m in range(marks):
            w = weight[f, m]
            if w == 0.0:
                continue
            b = body[m]
            at = marker_start + 3 * m
            po[:] = 0.0
            for i in range(2):
                e = residual[f, m, i] * w
                for j in range(COMPONENTS):
                    p = pose[f, m, i, j] * w
                    gp[b, j] += pose[f, m, i, j] * e
                    for k in range(j + 1):
                        pp[b, j, k] += p * pose[f, m, i, k]
                    for k in range(CAMERA_UNKNOWNS):
                        ps[b, j, k] += p * shared[f, m, i, k]
                    for k in range(3):
                        po[j, k] += p * own[f, m, i, k]
                for j in range(CAMERA_UNKNOWNS):
                    s = shared[f, m, i, j] * w
                    side[shared_start + j] += shared[f, m, i, j] * e
                    for k in range(j + 1):
                        matrix[shared_start + j, shared_start + k] += s * shared[f, m, i, k]
                    for k in range(3):
                        matrix[at + k, shared_start + j] += s * own[f, m, i, k]
                for j in range(3):
                    side[at + j] += own[f, m, i, j] * e
                    for k in range(j + 1):
                        matrix[at + j, at + k] += w * own[f, m, i, j] * own[f, m, i, k]
                for c in range(shares):
                    u = common[f, m, i, c] * w
                    raw_side[c] += u * residual[f, m, i]
                    for j in range(COMPONENTS):
                        raw_pose[c, b, j] += u * pose[f, m, i, j]
                    for j in range(CAMERA_UNKNOWNS):
                        raw_other[c, j] += u * shared[f, m, i, j]
                    for j in range(3):
                        raw_other[c, CAMERA_UNKNOWNS + 3 * m + j] += u * own[f, m, i, j]
                    for d in range(c + 1):
                        gram[c, d] += u * common[f, m, i, d]
            base = start[b] + COMPONENTS * first[b, f]
            for a in range(SPLINE_ORDER):
                for j in range(COMPONENTS):
                    for k in range(3):
                        matrix[base + COMPONENTS * a + j, at + k] += spline[b, f, a] * po[j, k]
        for b in range(bodies):
            base = start[b] + COMPONENTS * first[b, f]
            for j in range(COMPONENTS):
                for k in range(j):
                    pp[b, k, j] = pp[b, j, k]
            for a in range(SPLINE_ORDER):
                for j in range(COMPONENTS):
                    row = base + COMPONENTS * a + j
                    side[row] += spline[b, f, a] * gp[b, j]
                    for k in range(CAMERA_UNKNOWNS):
                        matrix[row, shared_start + k] += spline[b, f, a] * ps[b, j, k]
                    for d in range(a + 1):
                        both = spline[b, f, a] * spline[b, f, d]
                        for k in range(COMPONENTS):
                            matrix[row, base + COMPONENTS * d + k] += both * pp[b, j, k]
        if shares:
            _cholesky(gram)
            for c in range(shares):
                for d in range(c + 1):
                    times = -gram[c, d] if d < c else 1 / gram[c, c] - 1
                    raw_side[c] += times * raw_side[d]
                    for b in range(bodies):
                        for j in range(COMPONENTS):
                            raw_pose[c, b, j] += times * raw_pose[d, b, j]
                    for j in range(CAMERA_UNKNOWNS + 3 * marks):
                        raw_other[c, j] += times * raw_other[d, j]
            for b in range(bodies):
                for a in range(SPLINE_ORDER):
                    for j in range(COMPONENTS):
                        at = (b * SPLINE_ORDER + a) * COMPONENTS + j
                        place[at] = start[b] + COMPONENTS * (first[b, f] + a) + j
                        for c in range(shares):
                            rows[c, at] = spline[b, f, a] * raw_pose[c, b, j]
            for c in range(shares):
                for j in range(CAMERA_UNKNOWNS + 3 * marks):
                    rows[c, SPLINE_ORDER * COMPONENTS * bodies + j] = raw_other[c, j]
                for j in range(wide):
                    v = rows[c, j]
                    if v != 0.0:
                        side[place[j]] -= v * raw_side[c]
                        to = matrix[place[j]]
                        for b in range(min(j // local + 1, bodies)):
                            base = place[b * local]
                            for k in range(min(local, j + 1 - b * local)):
                                to[base + k] -= v * rows[c, b * local + k]
                        for k in range(others if j < splines else j + 1 - splines):
                            to[shared_start + k] -= v * rows[c, splines + k]
        if knots:
            for m in range(marks):
                w = weight[f, m]
                if w == 0.0:
                    continue
                b = body[m]
                base = start[b] + COMPONENTS * first[b, f]
                for i in range(2):
                    for c in range(shares):
                        t = common[f, m, i, c]
                        for d in range(c):
                            t -= gram[c, d] * along[d]
                        along[c] = t / gram[c, c]
                    shared_part[:] = 0.0
                    for c in range(shares):
                        for j in range(wide):
                            shared_part[j] += along[c] * rows[c, j]
                    for q in range(2):
                        h = linear_weights[f, q] * w
                        if h == 0.0:
                            continue
                        row = (2 * m + i) * knots + knot[f] + q
                        for a in range(SPLINE_ORDER):
                            for j in range(COMPONENTS):
                                error_rows[row, base + COMPONENTS * a + j] += (
                                    h * spline[b, f, a] * pose[f, m, i, j]
                                )
                        for j in range(CAMERA_UNKNOWNS):
                            error_rows[row, shared_start + j] += h * shared[f, m, i, j]
                        for j in range(3):
                            error_rows[row, marker_start + 3 * m + j] += h * own[f, m, i, j]
                        if shares:
                            to = error_rows[row]
                            for k in range(splines):
                                to[place[k]] -= h * shared_part[k]
                            for k in range(others):
                                to[shared_start + k] -= h * shared_part[splines + k]
    _complete(matrix, shared_start)


@_fast
def evaluate(coefficients: Array, first: NDArray[np.int64], value: Array, out: Array) -> None:
    """`out` (k, n, orders 6): splines with coefficients (k, count, 6) at instants whose touched
    B-splines start at `first` (n,) and have the derivatives `value` (orders, n, 4).
    """
    orders, instants, _ = value.shape
    for k in range(len(coefficients)):
        for t in range(instants):
            for order in range(orders):
                for j in range(COMPONENTS):
                    total = 0.0
                    for a in range(SPLINE_ORDER):
                        total += value[order, t, a] * coefficients[k, first[t] + a, j]
                    out[k, t, order * COMPONENTS + j] = total


@_fast
def _cholesky(gram: Array) -> None:
    """Lower Cholesky factor of 1 + gram (lower triangle given), in place."""
    n = len(gram)
    for j in range(n):
        gram[j, j] += 1.0
    for j in range(n):
        for k in range(j):
            for i in range(j, n):
                gram[i, j] -= gram[i, k] * gram[j, k]
        gram[j, j] = np.sqrt(gram[j, j])
        for i in range(j + 1, n):
            gram[i, j] /= gram[j, j]


@_fast
def _complete(matrix: Array, shared_start: int) -> None:
    """The rest of a symmetric matrix of which the lower triangles of the blocks on the diagonal
    and the block right of the first `eye` rows are given.
    """
    n = len(matrix)
    for j in range(shared_start):
        for k in range(j):
            matrix[k, j] = matrix[j, k]
        for k in range(shared_start, n):
            matrix[k, j] = matrix[j, k]
    for j in range(shared_start, n):
        for k in range(shared_start, j):
            matrix[k, j] = matrix[j, k]


@_fast
def leverage(
    pose: Array,
    shared: Array,
    own: Array,
    weight: Array,
    body: NDArray[np.int64],
    start: NDArray[np.int64],
    first: NDArray[np.int64],
    spline: Array,
    covariance: Array,
    out: Array,
) -> None:
    """`out` (frames, marks): the trace of the covariance (n, n), columns as in `gather`, of what is
    predicted of each mark of a weight above 0, in the mark's own sds.
    """
    frames, marks = weight.shape
    shared_start = len(covariance) - CAMERA_UNKNOWNS - 3 * marks
    local = SPLINE_ORDER * COMPONENTS + CAMERA_UNKNOWNS + 3
    row, place = np.empty(local), np.empty(local, np.int64)
    for f in range(frames):
        for m in range(marks):
            if weight[f, m] == 0.0:
                continue
            b = body[m]
            base = start[b] + COMPONENTS * first[b, f]
            for k in range(SPLINE_ORDER * COMPONENTS):
                place[k] = base + k
            for k in range(CAMERA_UNKNOWNS):
                place[SPLINE_ORDER * COMPONENTS + k] = shared_start + k
            for k in range(3):
                place[SPLINE_ORDER * COMPONENTS + CAMERA_UNKNOWNS + k] = (
                    shared_start + CAMERA_UNKNOWNS + 3 * m + k
                )
            total = 0.0
            for i in range(2):
                for a in range(SPLINE_ORDER):
                    for j in range(COMPONENTS):
                        row[COMPONENTS * a + j] = spline[b, f, a] * pose[f, m, i, j]
                for k in range(CAMERA_UNKNOWNS):
                    row[SPLINE_ORDER * COMPONENTS + k] = shared[f, m, i, k]
                for k in range(3):
                    row[SPLINE_ORDER * COMPONENTS + CAMERA_UNKNOWNS + k] = own[f, m, i, k]
                for j in range(local):
                    v = 0.5 * row[j] * covariance[place[j], place[j]]
                    for k in range(j):
                        v += row[k] * covariance[place[j], place[k]]
                    total += 2.0 * row[j] * v
            out[f, m] = total
