"""Correlated errors along a film: states at knots, linear between them, each correlated with the
next (a first-order autoregression).

Given the motion, a mark's error states have a tridiagonal normal matrix M, the prior's inverse
covariance and the mark's information by the knots' weights. Its Cholesky factor L is bidiagonal,
and everything here runs along it (Golub & Van Loan, "Matrix Computations", 4.3.6).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.options import NOISE

_KNOTS_AT_A_TIME = 8
_NEIGHBOUR_CORRELATION = np.exp(-1.0)  # of an error's states at neighbouring knots

_fast = njit(cache=True, nogil=True, error_model="numpy")


@dataclass(frozen=True)
class ErrorChain:
    """Knots of error states: each frame lies between two of them."""

    knot: NDArray[np.int64]  # (frames,)
    linear_weights: Array  # (frames, 2)
    count: int

    @property
    def prior(self) -> tuple[Array, float]:
        """Inverse covariance of a unit process at the knots, a first-order autoregression whose
        neighbours correlate by 1/e: its diagonal (count,) and the element beside it.
        """
        rest = 1 - _NEIGHBOUR_CORRELATION**2
        diagonal = np.full(self.count, (1 + _NEIGHBOUR_CORRELATION**2) / rest)
        diagonal[[0, -1]] = 1 / rest
        return diagonal, -_NEIGHBOUR_CORRELATION / rest


def error_chain(frames: NDArray[np.int64]) -> ErrorChain:
    """Knots over a film's frames (n,), `NOISE.error_memory` apart."""
    place = (frames - frames[0]) / NOISE.error_memory
    knot = place.astype(np.int64)
    share = place - knot
    return ErrorChain(knot, np.stack([1 - share, share], axis=1), int(knot[-1]) + 2)


def cholesky_factors(chain: ErrorChain, weight: Array, correlated_variance: Array) -> Array:
    """L (marks, knots, 2) of each mark: one over the diagonal, and the element before it; 0 for
    marks without correlated errors.

    `weight` (frames, marks) is the marks' information, `correlated_variance` (marks,) the variance
    of their error states.
    """
    diagonal, beside = chain.prior
    out = np.zeros((weight.shape[1], chain.count, 2))
    _factor(chain.knot, chain.linear_weights, weight, correlated_variance, diagonal, beside, out)
    return out


def sum_by_knots(chain: ErrorChain, values: Array) -> Array:
    """Sums (marks, 2, knots) of values (frames, marks, 2) by the knots' weights."""
    out = np.zeros((values.shape[1], 2, chain.count))
    _gather(chain.knot, chain.linear_weights, values, out)
    return out


def interpolate(chain: ErrorChain, values: Array) -> Array:
    """Errors (frames, marks, 2) from their states (marks, 2, knots) at the knots."""
    rows = np.moveaxis(values, -1, 0)
    a, b = chain.linear_weights.T[:, :, None, None]
    return np.asarray(a * rows[chain.knot] + b * rows[chain.knot + 1])


def whiten(factor: Array, values: Array) -> None:
    """Makes L^-1 values of values (marks, 2, knots, any), in their place."""
    _forward(factor, values)


def whitened_chunks(factor: Array, values: Array) -> Iterator[tuple[slice, Array]]:
    """L^-1 values of values (marks, 2, knots, any), some knots at a time, in order."""
    last = np.zeros((*values.shape[:2], 1, values.shape[3]))
    for some in chunks(values.shape[2]):
        out = np.concatenate([last, values[:, :, some]], axis=2)
        along = np.concatenate([np.zeros_like(factor[:, :1]), factor[:, some]], axis=1)
        along[:, 0, 0] = 1.0  # the one before is known
        whiten(along, out)
        last = out[:, :, -1:]
        yield some, out[:, :, 1:]


def whiten_transposed(factor: Array, values: Array) -> Array:
    """L^-T values, for values (marks, 2, knots, any)."""
    out = values.copy()
    _backward(factor, out)
    return out


def inverse_band(factor: Array) -> tuple[Array, Array]:
    """Of M^-1 the diagonal (marks, knots) and the elements beside it (marks, knots - 1) (Takahashi,
    Fagan & Chen 1973).
    """
    inverse, before = factor[..., 0], factor[..., 1]
    diagonal, beside = inverse**2, np.zeros_like(inverse[:, 1:])
    for k in range(diagonal.shape[1] - 2, -1, -1):
        back = before[:, k + 1] * inverse[:, k]
        diagonal[:, k] += back**2 * diagonal[:, k + 1]
        beside[:, k] = -back * diagonal[:, k + 1]
    return diagonal, beside


def normal_matrix(factor: Array) -> tuple[Array, Array]:
    """M: its diagonal (marks, knots), 1 for marks without correlated errors, and the elements
    beside it (marks, knots - 1).
    """
    inverse, before = factor[..., 0], factor[..., 1]
    on = inverse > 0
    lower = 1 / np.where(on, inverse, 1.0)
    return lower**2 + before**2, before[:, 1:] * np.where(on, lower, 0.0)[:, :-1]


def chunks(count: int) -> Iterator[slice]:
    """Knots, some at a time: what is whitened takes less room."""
    ends = [*range(0, count, _KNOTS_AT_A_TIME), count]
    yield from (slice(a, b) for a, b in pairwise(ends))


def touched_ranges(
    rows: Array, parts: tuple[tuple[int, int], ...], negligible: float
) -> list[tuple[int, int]]:
    """Of columns (first, end) of rows (n, columns), those from the first to the last which is not
    `negligible` beside the largest of all; nothing of parts which are.
    """
    size = np.abs(rows).max(axis=0)
    alive = size > negligible * size.max(initial=0.0)
    out = []
    for first, end in parts:
        on = np.flatnonzero(alive[first:end])
        if len(on):
            out.append((first + int(on[0]), first + int(on[-1]) + 1))
    return out


@_fast
def _factor(
    knot: NDArray[np.int64],
    linear_weights: Array,
    weight: Array,
    correlated_variance: Array,
    diagonal: Array,
    beside: float,
    out: Array,
) -> None:
    frames, marks = weight.shape
    for f in range(frames):
        k, a, b = knot[f], linear_weights[f, 0], linear_weights[f, 1]
        for m in range(marks):
            w = weight[f, m]
            out[m, k, 0] += w * a * a
            out[m, k + 1, 0] += w * b * b
            out[m, k + 1, 1] += w * a * b
    for m in range(marks):
        if correlated_variance[m] <= 0:
            out[m] = 0.0
            continue
        for k in range(len(diagonal)):
            square = out[m, k, 0] + diagonal[k] / correlated_variance[m]
            if k:
                out[m, k, 1] = (out[m, k, 1] + beside / correlated_variance[m]) * out[m, k - 1, 0]
                square -= out[m, k, 1] ** 2
            out[m, k, 0] = 1 / np.sqrt(square)


@_fast
def _gather(knot: NDArray[np.int64], linear_weights: Array, values: Array, out: Array) -> None:
    frames, marks, _ = values.shape
    for f in range(frames):
        for m in range(marks):
            for i in range(2):
                for q in range(2):
                    out[m, i, knot[f] + q] += linear_weights[f, q] * values[f, m, i]


@_fast
def _forward(factor: Array, rows: Array) -> None:
    marks, _, knots, columns = rows.shape
    for m in range(marks):
        for i in range(2):
            for k in range(knots):
                inverse, before = factor[m, k, 0], factor[m, k, 1]
                for j in range(columns):
                    carried = before * rows[m, i, k - 1, j] if k else 0.0
                    rows[m, i, k, j] = (rows[m, i, k, j] - carried) * inverse


@_fast
def _backward(factor: Array, rows: Array) -> None:
    marks, _, knots, columns = rows.shape
    for m in range(marks):
        for i in range(2):
            for k in range(knots - 1, -1, -1):
                inverse = factor[m, k, 0]
                last = k == knots - 1
                after = 0.0 if last else factor[m, k + 1, 1]
                for j in range(columns):
                    right = 0.0 if last else after * rows[m, i, k + 1, j]
                    rows[m, i, k, j] = (rows[m, i, k, j] - right) * inverse
