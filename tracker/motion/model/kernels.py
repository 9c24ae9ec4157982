"""Sums over marks and frames, compiled: normal equations in the B-spline basis.

Columns of a camera's equations: all bodies' B-spline coefficients, the camera's own unknowns, three
a mark. Symmetric sums are taken in their lower triangle, but for the block right of the splines'.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model.spline import SPLINE_ORDER
from tracker.motion.model.unknowns import CAMERA_UNKNOWNS, COMPONENTS

fast = njit(cache=True, nogil=True, error_model="numpy")
"""Compiles a function; its machine code is kept between runs."""
_inlined = njit(nogil=True, error_model="numpy", inline="always")
PLACE = 3
"""Coordinates of a marker's place."""
LOCAL = SPLINE_ORDER * COMPONENTS
"""Coefficients of a body that an instant touches."""


class MarkTerms(NamedTuple):
    """Residuals of one camera's marks and their derivatives, in the marks' sds."""

    pose: Array  # (frames, marks, 2, 6)
    shared: Array  # (frames, marks, 2, 17) by the camera's unknowns
    own: Array  # (frames, marks, 2, 3) by the marker's place
    residual: Array  # (frames, marks, 2)
    common: Array  # (frames, marks, 2, k) by a unit of each error that a frame's marks share
    weight: Array  # (frames, marks) factor on the information; 0: the mark is skipped
    body: NDArray[np.int64]  # (marks,)


class SplineColumns(NamedTuple):
    """The B-splines that each frame touches, and their columns."""

    start: NDArray[np.int64]  # (bodies,) first column
    first: NDArray[np.int64]  # (bodies, frames) first touched B-spline
    value: Array  # (bodies, frames, 4)


class ErrorKnots(NamedTuple):
    """The knots of error states beside each frame."""

    knot: NDArray[np.int64]  # (frames,) the earlier one
    weight: Array  # (frames, 2)
    states: int  # of each coordinate of a mark


class Sums(NamedTuple):
    """Normal equations that are added to."""

    matrix: Array  # (n, n)
    side: Array  # (n,)
    error_rows: Array  # (marks 2 knots, n) between error states and columns


class _Frame(NamedTuple):
    """Sums over the marks of one frame."""

    pose_pose: Array  # (bodies, 6, 6)
    pose_shared: Array  # (bodies, 6, 17)
    pose_side: Array  # (bodies, 6)
    pose_own: Array  # (6, 3) of one mark
    gram: Array  # (k, k) of common errors, then its Cholesky factor
    common_side: Array  # (k,)
    common_pose: Array  # (k, bodies, 6)
    common_other: Array  # (k, 17 + 3 marks)
    place: NDArray[np.int64]  # (touched,) columns, ascending
    rows: Array  # (k, touched) common errors' rows, whitened
    along: Array  # (k,) of one coordinate
    through: Array  # (touched,) its part of `rows`


@fast
def sum_equations(terms: MarkTerms, splines: SplineColumns, knots: ErrorKnots, sums: Sums) -> None:
    """Adds one camera's marks to `sums`, the errors that a frame's marks share eliminated.

    Parameters
    ----------
    terms : residuals and derivatives of the marks.
    splines, knots : the columns and error states that each frame touches.
    sums : what is added to, in its place.
    """
    frames, marks = terms.weight.shape
    bodies, shares = len(splines.start), terms.common.shape[3]
    frame = _frame(bodies, marks, shares)
    shared_start = len(sums.matrix) - CAMERA_UNKNOWNS - PLACE * marks
    for k in range(CAMERA_UNKNOWNS + PLACE * marks):
        frame.place[LOCAL * bodies + k] = shared_start + k
    for f in range(frames):
        _clear(frame)
        for m in range(marks):
            if terms.weight[f, m] != 0.0:
                _add_mark(f, m, terms, splines, sums, frame)
        for b in range(bodies):
            _add_body(f, b, splines, sums, frame, shared_start)
        if shares:
            _whiten_common(f, splines, frame)
            _subtract_common(sums, frame, shared_start)
        if knots.states:
            for m in range(marks):
                if terms.weight[f, m] != 0.0:
                    _add_error_rows(f, m, terms, splines, knots, sums, frame)
    _complete(sums.matrix, shared_start)


@_inlined
def _frame(bodies: int, marks: int, shares: int) -> _Frame:
    others = CAMERA_UNKNOWNS + PLACE * marks
    touched = LOCAL * bodies + others
    return _Frame(
        np.empty((bodies, COMPONENTS, COMPONENTS)),
        np.empty((bodies, COMPONENTS, CAMERA_UNKNOWNS)),
        np.empty((bodies, COMPONENTS)),
        np.empty((COMPONENTS, PLACE)),
        np.empty((shares, shares)),
        np.empty(shares),
        np.empty((shares, bodies, COMPONENTS)),
        np.empty((shares, others)),
        np.empty(touched, np.int64),
        np.empty((shares, touched)),
        np.empty(shares),
        np.empty(touched),
    )


@_inlined
def _clear(frame: _Frame) -> None:
    frame.pose_pose[:] = 0.0
    frame.pose_shared[:] = 0.0
    frame.pose_side[:] = 0.0
    if len(frame.gram):
        frame.gram[:] = 0.0
        frame.common_side[:] = 0.0
        frame.common_pose[:] = 0.0
        frame.common_other[:] = 0.0


@_inlined
def _add_mark(
    f: int, m: int, terms: MarkTerms, splines: SplineColumns, sums: Sums, frame: _Frame
) -> None:
    """Adds what a mark gives the camera and its own place to `sums`, the rest to `frame`."""
    pose, shared, own = terms.pose, terms.shared, terms.own
    matrix, side, pose_own = sums.matrix, sums.side, frame.pose_own
    w, b, marks = terms.weight[f, m], terms.body[m], terms.weight.shape[1]
    shared_start = len(matrix) - CAMERA_UNKNOWNS - PLACE * marks
    at = shared_start + CAMERA_UNKNOWNS + PLACE * m
    pose_own[:] = 0.0
    for i in range(2):
        e = terms.residual[f, m, i] * w
        for j in range(COMPONENTS):
            p = pose[f, m, i, j] * w
            frame.pose_side[b, j] += pose[f, m, i, j] * e
            for k in range(j + 1):
                frame.pose_pose[b, j, k] += p * pose[f, m, i, k]
            for k in range(CAMERA_UNKNOWNS):
                frame.pose_shared[b, j, k] += p * shared[f, m, i, k]
            for k in range(PLACE):
                pose_own[j, k] += p * own[f, m, i, k]
        for j in range(CAMERA_UNKNOWNS):
            s = shared[f, m, i, j] * w
            side[shared_start + j] += shared[f, m, i, j] * e
            for k in range(j + 1):
                matrix[shared_start + j, shared_start + k] += s * shared[f, m, i, k]
            for k in range(PLACE):
                matrix[at + k, shared_start + j] += s * own[f, m, i, k]
        for j in range(PLACE):
            side[at + j] += own[f, m, i, j] * e
            for k in range(j + 1):
                matrix[at + j, at + k] += w * own[f, m, i, j] * own[f, m, i, k]
        _add_common(f, m, i, terms, frame)
    base = splines.start[b] + COMPONENTS * splines.first[b, f]
    for a in range(SPLINE_ORDER):
        for j in range(COMPONENTS):
            for k in range(PLACE):
                row = base + COMPONENTS * a + j
                matrix[row, at + k] += splines.value[b, f, a] * pose_own[j, k]


@_inlined
def _add_common(f: int, m: int, i: int, terms: MarkTerms, frame: _Frame) -> None:
    """Adds a mark's coordinate to the sums of the errors that a frame's marks share."""
    b = terms.body[m]
    for c in range(len(frame.gram)):
        u = terms.common[f, m, i, c] * terms.weight[f, m]
        frame.common_side[c] += u * terms.residual[f, m, i]
        for j in range(COMPONENTS):
            frame.common_pose[c, b, j] += u * terms.pose[f, m, i, j]
        for j in range(CAMERA_UNKNOWNS):
            frame.common_other[c, j] += u * terms.shared[f, m, i, j]
        for j in range(PLACE):
            at = CAMERA_UNKNOWNS + PLACE * m + j
            frame.common_other[c, at] += u * terms.own[f, m, i, j]
        for d in range(c + 1):
            frame.gram[c, d] += u * terms.common[f, m, i, d]


@_inlined
def _add_body(
    f: int, b: int, splines: SplineColumns, sums: Sums, frame: _Frame, shared_start: int
) -> None:
    """Adds a frame's sums by the pose of a body to its B-splines' columns."""
    matrix, square, value = sums.matrix, frame.pose_pose, splines.value
    base = splines.start[b] + COMPONENTS * splines.first[b, f]
    for j in range(COMPONENTS):
        for k in range(j):
            square[b, k, j] = square[b, j, k]
    for a in range(SPLINE_ORDER):
        for j in range(COMPONENTS):
            row = base + COMPONENTS * a + j
            sums.side[row] += value[b, f, a] * frame.pose_side[b, j]
            for k in range(CAMERA_UNKNOWNS):
                matrix[row, shared_start + k] += value[b, f, a] * frame.pose_shared[b, j, k]
            for d in range(a + 1):
                both = value[b, f, a] * value[b, f, d]
                for k in range(COMPONENTS):
                    matrix[row, base + COMPONENTS * d + k] += both * square[b, j, k]


@_inlined
def _whiten_common(f: int, splines: SplineColumns, frame: _Frame) -> None:
    """Rows of common errors by the inverse of their Cholesky factor, on the touched columns."""
    gram, raw_pose, raw_other = frame.gram, frame.common_pose, frame.common_other
    shares, bodies, others = len(gram), len(splines.start), raw_other.shape[1]
    _cholesky(gram)
    for c in range(shares):
        for d in range(c + 1):
            times = -gram[c, d] if d < c else 1 / gram[c, c] - 1
            frame.common_side[c] += times * frame.common_side[d]
            for b in range(bodies):
                for j in range(COMPONENTS):
                    raw_pose[c, b, j] += times * raw_pose[d, b, j]
            for j in range(others):
                raw_other[c, j] += times * raw_other[d, j]
    for b in range(bodies):
        for a in range(SPLINE_ORDER):
            for j in range(COMPONENTS):
                at = (b * SPLINE_ORDER + a) * COMPONENTS + j
                frame.place[at] = splines.start[b] + COMPONENTS * (splines.first[b, f] + a) + j
                for c in range(shares):
                    frame.rows[c, at] = splines.value[b, f, a] * raw_pose[c, b, j]
    for c in range(shares):
        for j in range(others):
            frame.rows[c, LOCAL * bodies + j] = raw_other[c, j]


@_inlined
def _subtract_common(sums: Sums, frame: _Frame, shared_start: int) -> None:
    """Takes what the frame's common errors explain from the normal equations."""
    rows, place = frame.rows, frame.place
    shares, touched = rows.shape
    bodies, others = frame.pose_side.shape[0], frame.common_other.shape[1]
    local = LOCAL * bodies
    for c in range(shares):
        for j in range(touched):
            v = rows[c, j]
            if v != 0.0:
                sums.side[place[j]] -= v * frame.common_side[c]
                to = sums.matrix[place[j]]
                for b in range(min(j // LOCAL + 1, bodies)):
                    base = place[b * LOCAL]
                    for k in range(min(LOCAL, j + 1 - b * LOCAL)):
                        to[base + k] -= v * rows[c, b * LOCAL + k]
                for k in range(others if j < local else j + 1 - local):
                    to[shared_start + k] -= v * rows[c, local + k]


@_inlined
def _add_error_rows(
    f: int,
    m: int,
    terms: MarkTerms,
    splines: SplineColumns,
    knots: ErrorKnots,
    sums: Sums,
    frame: _Frame,
) -> None:
    """Adds a mark's rows, less what common errors explain, to those of its error states."""
    marks, b = terms.weight.shape[1], terms.body[m]
    shares, local = len(frame.gram), LOCAL * len(splines.start)
    shared_start = sums.matrix.shape[0] - CAMERA_UNKNOWNS - PLACE * marks
    base = splines.start[b] + COMPONENTS * splines.first[b, f]
    for i in range(2):
        if shares:
            _explain(f, m, i, terms, frame)
        for q in range(2):
            h = knots.weight[f, q] * terms.weight[f, m]
            if h == 0.0:
                continue
            to = sums.error_rows[(2 * m + i) * knots.states + knots.knot[f] + q]
            for a in range(SPLINE_ORDER):
                for j in range(COMPONENTS):
                    to[base + COMPONENTS * a + j] += (
                        h * splines.value[b, f, a] * terms.pose[f, m, i, j]
                    )
            for j in range(CAMERA_UNKNOWNS):
                to[shared_start + j] += h * terms.shared[f, m, i, j]
            for j in range(PLACE):
                at = shared_start + CAMERA_UNKNOWNS + PLACE * m + j
                to[at] += h * terms.own[f, m, i, j]
            if shares:
                for k in range(local):
                    to[frame.place[k]] -= h * frame.through[k]
                for k in range(CAMERA_UNKNOWNS + PLACE * marks):
                    to[shared_start + k] -= h * frame.through[local + k]


@_inlined
def _explain(f: int, m: int, i: int, terms: MarkTerms, frame: _Frame) -> None:
    """`frame.through`: the part of a coordinate's row that common errors explain."""
    for c in range(len(frame.gram)):
        t = terms.common[f, m, i, c]
        for d in range(c):
            t -= frame.gram[c, d] * frame.along[d]
        frame.along[c] = t / frame.gram[c, c]
    frame.through[:] = 0.0
    for c in range(len(frame.gram)):
        for j in range(len(frame.through)):
            frame.through[j] += frame.along[c] * frame.rows[c, j]


@fast
def evaluate(coefficients: Array, first: NDArray[np.int64], value: Array, out: Array) -> None:
    """Splines and their derivatives at some instants.

    Parameters
    ----------
    coefficients : (k, count, 6) of k motions, B-spline basis.
    first : (n,) first touched B-spline of each instant.
    value : (orders, n, 4) derivatives of the touched B-splines.
    out : (k, n, orders 6), filled.
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


@fast
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


@fast
def _complete(matrix: Array, shared_start: int) -> None:
    """The rest of a symmetric matrix of which the lower triangles of the blocks on the diagonal
    and the block right of the first `shared_start` rows are given.
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
