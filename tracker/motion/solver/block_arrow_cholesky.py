"""Symmetric positive definite systems whose unknowns follow one another: blocks of which only
neighbours are coupled, and a border that is coupled to all.

Their Cholesky factor has the same shape, and so has what is wanted of the inverse, which is found
without the rest of it (Takahashi, Fagan & Chen 1973; Rue & Held 2005, "Gaussian Markov Random
Fields", 2.4). All of it takes time in proportion to the number of blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from calibration.arrays import Array

SMALL = 1e-7
"""A pivot below this (of 1) has lost half of its digits."""


@dataclass(frozen=True)
class Arrow:
    """A matrix with ones on its diagonal, the blocks of its lower triangle: k blocks of n unknowns
    and a border of m.
    """

    diagonal: tuple[Array, ...]  # k of (n, n)
    below: tuple[Array, ...]  # k - 1 of (n of the next, n)
    border: tuple[Array, ...]  # k of (m, n)
    corner: Array  # (m, m)


@dataclass(frozen=True)
class Factor:
    """The Cholesky factor of an `Arrow`: inverses of the blocks on its diagonal, and below each its
    couplings to the next block and the border, one above the other.
    """

    inverse: tuple[Array, ...]  # k of (n, n), lower
    tail: tuple[Array, ...]  # k of (n of the next + m, n); of the last (m, n)
    corner: Array  # (m, m), lower, inverse


def factorize(a: Arrow) -> Factor | None:
    """The factor; None where half of the digits don't hold it."""
    inverses: list[Array] = []
    tails: list[Array] = []
    diagonal, border, corner = list(a.diagonal), list(a.border), a.corner
    m = len(corner)
    for k in range(len(diagonal)):
        inverse = _inverse_of_factor(diagonal[k])
        if inverse is None:
            return None
        tail = np.concatenate([*a.below[k : k + 1], border[k]]) @ inverse.T
        eliminated = tail @ tail.T
        inverses.append(inverse)
        tails.append(tail)
        n = len(tail) - m
        corner = corner - eliminated[n:, n:]
        if n:
            diagonal[k + 1] = diagonal[k + 1] - eliminated[:n, :n]
            border[k + 1] = border[k + 1] - eliminated[n:, :n]
    end = _inverse_of_factor(corner)
    return None if end is None else Factor(tuple(inverses), tuple(tails), end)


def solve(f: Factor, sides: tuple[Array, ...]) -> tuple[Array, ...]:
    """The solution (n, any) a block and, last, of the border, for right sides of such shapes."""
    solution = [side.copy() for side in sides]
    end = len(f.inverse)
    for k, (inverse, tail) in enumerate(zip(f.inverse, f.tail, strict=True)):
        solution[k] = inverse @ solution[k]
        for to, part in _coupled_blocks(f, k, tail):
            solution[to] -= part @ solution[k]
    solution[end] = f.corner.T @ (f.corner @ solution[end])
    for k in reversed(range(end)):
        for to, part in _coupled_blocks(f, k, f.tail[k]):
            solution[k] -= part.T @ solution[to]
        solution[k] = f.inverse[k].T @ solution[k]
    return tuple(solution)


def variances(f: Factor, rows: Callable[[int], Array], first: NDArray[np.int64]) -> Array:
    """Variances (r,) of combinations of the unknowns: `rows` gives those (n, r) of a block, by its
    number, and of the border, which counts as the last; `first` (r,) is the first block that each
    has a part in, ascending.
    """
    out = np.zeros(len(first))
    end = len(f.inverse)
    of_border = rows(end)  # of the border
    coming = rows(0) if end else of_border
    for k, (inverse, tail) in enumerate(zip(f.inverse, f.tail, strict=True)):
        on = int(np.searchsorted(first, k, side="right"))
        transformed = inverse @ coming[:, :on]
        out[:on] += np.sum(transformed**2, axis=0)
        coming = rows(k + 1) if k + 1 < end else of_border
        for to, part in _coupled_blocks(f, k, tail):
            (of_border if to == end else coming)[:, :on] -= part @ transformed
    return np.asarray(out + np.sum((f.corner @ of_border) ** 2, axis=0))


def selected_inverse(f: Factor) -> Arrow:
    """The blocks of the inverse where the matrix has blocks."""
    end = f.corner.T @ f.corner
    m = len(end)
    diagonal: list[Array] = []
    below: list[Array] = []
    border: list[Array] = []
    behind = end  # of what comes after the block: the next block and the border
    for inverse, tail in zip(reversed(f.inverse), reversed(f.tail), strict=True):
        gain = tail @ inverse
        cross = -behind @ gain
        own = inverse.T @ inverse - gain.T @ cross
        n = len(tail) - m
        below.append(cross[:n])
        border.append(cross[n:])
        diagonal.append(own)
        behind = np.block([[own, cross[n:].T], [cross[n:], end]])
    return Arrow(
        tuple(reversed(diagonal)), tuple(reversed(below[1:])), tuple(reversed(border)), end
    )


def fix_unknowns(a: Arrow, on: tuple[NDArray[np.bool_], ...]) -> Arrow:
    """The matrix without unknowns that are `on`, (n,) a block and, last, of the border: each of
    these stands alone.
    """
    ends = on[-1]
    return Arrow(
        tuple(_without(d, p, p, True) for d, p in zip(a.diagonal, on[:-1], strict=True)),
        tuple(_without(b, on[k + 1], on[k], False) for k, b in enumerate(a.below)),
        tuple(_without(b, ends, on[k], False) for k, b in enumerate(a.border)),
        _without(a.corner, ends, ends, True),
    )


def _without(
    block: Array, rows: NDArray[np.bool_], columns: NDArray[np.bool_], diagonal: bool
) -> Array:
    if not rows.any() and not columns.any():
        return block
    out = block.copy()
    out[rows] = 0.0
    out[:, columns] = 0.0
    if diagonal:
        out[rows, rows] = 1.0
    return out


def _coupled_blocks(f: Factor, k: int, tail: Array) -> Iterator[tuple[int, Array]]:
    """Which blocks a block is coupled to (the number of blocks is the border), and how."""
    n, end = len(tail) - len(f.corner), len(f.inverse)
    if k + 1 < end:
        yield k + 1, tail[:n]
    yield end, tail[n:]


def _inverse_of_factor(matrix: Array) -> Array | None:
    """The inverse of a matrix's Cholesky factor; None where half of the digits don't hold it."""
    lower, failed = lapack.dpotrf(matrix, lower=True, clean=True)
    if failed or not np.min(np.diag(lower), initial=np.inf) > SMALL:
        return None
    if not len(lower):
        return np.zeros((0, 0))
    inverse, failed = lapack.dtrtri(lower, lower=True)
    return None if failed else np.ascontiguousarray(inverse)
