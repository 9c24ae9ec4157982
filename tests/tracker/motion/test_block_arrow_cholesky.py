"""Block-arrow systems against dense algebra (LAPACK by numpy)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tracker.motion.solver import block_arrow_cholesky

SIZES, BORDER = (5, 7, 3, 1, 4), 4
EDGES = np.cumsum([0, *SIZES, BORDER])
PARTS = [slice(a, b) for a, b in pairwise(EDGES)]


def dense() -> np.ndarray:
    """A positive definite matrix of that shape with ones on its diagonal."""
    rng = np.random.default_rng(3)
    rows = []
    for k in range(len(SIZES)):
        row = rng.normal(size=(12, EDGES[-1]))
        row[:, : EDGES[k]] = 0.0
        row[:, EDGES[min(k + 2, len(SIZES))] : EDGES[-2]] = 0.0
        rows.append(row)
    whole = np.vstack(rows).T @ np.vstack(rows)
    size = np.sqrt(np.diag(whole))
    return whole / size / size[:, None]


def parted(whole: np.ndarray) -> block_arrow_cholesky.Arrow:
    *blocks, end = PARTS
    return block_arrow_cholesky.Arrow(
        tuple(whole[p, p] for p in blocks),
        tuple(whole[q, p] for p, q in pairwise(blocks)),
        tuple(whole[end, p] for p in blocks),
        whole[end, end],
    )


def factor_of(whole: np.ndarray) -> block_arrow_cholesky.Factor:
    found = block_arrow_cholesky.factorize(parted(whole))
    assert found is not None
    return found


def test_solutions_solve_the_system() -> None:
    whole = dense()
    side = np.random.default_rng(4).normal(size=(len(whole), 3))
    found = block_arrow_cholesky.solve(factor_of(whole), tuple(side[p] for p in PARTS))
    assert np.allclose(whole @ np.concatenate(found), side)


def test_the_inverse_is_right_wherever_it_is_given() -> None:
    whole = dense()
    found, true = (
        block_arrow_cholesky.selected_inverse(factor_of(whole)),
        parted(np.linalg.inv(whole)),
    )
    for one, other in zip(found.diagonal, true.diagonal, strict=True):
        assert np.allclose(one, other)
    for one, other in zip(found.below, true.below, strict=True):
        assert np.allclose(one, other)
    for one, other in zip(found.border, true.border, strict=True):
        assert np.allclose(one, other)
    assert np.allclose(found.corner, true.corner)


def test_variances_of_combinations_are_those_of_the_whole_inverse() -> None:
    whole = dense()
    rows = np.random.default_rng(5).normal(size=(len(whole), 9))
    first = np.array([0, 0, 1, 1, 2, 3, 4, 5, 5])
    for column, block in enumerate(first):
        rows[: EDGES[block], column] = 0.0
    found = block_arrow_cholesky.variances(factor_of(whole), lambda k: rows[PARTS[k]].copy(), first)
    assert np.allclose(found, np.sum(rows * np.linalg.solve(whole, rows), axis=0))


def test_pinned_unknowns_stand_alone_and_the_others_are_solved_without_them() -> None:
    whole = dense()
    on = np.zeros(len(whole), dtype=bool)
    on[[1, 6, 7, 21]] = True
    found = block_arrow_cholesky.factorize(
        block_arrow_cholesky.fix_unknowns(parted(whole), tuple(on[p] for p in PARTS))
    )
    assert found is not None
    side = np.where(on, 0.0, np.arange(len(whole)) - 7.0)[:, None]
    out = np.concatenate(block_arrow_cholesky.solve(found, tuple(side[p] for p in PARTS)))[:, 0]
    assert not out[on].any()
    assert np.allclose(out[~on], np.linalg.solve(whole[np.ix_(~on, ~on)], side[~on, 0]))


def test_a_border_alone_is_a_dense_system() -> None:
    whole = dense()
    found = block_arrow_cholesky.factorize(block_arrow_cholesky.Arrow((), (), (), whole))
    assert found is not None
    assert np.allclose(block_arrow_cholesky.selected_inverse(found).corner, np.linalg.inv(whole))
    assert np.allclose(block_arrow_cholesky.solve(found, (whole,))[0], np.eye(len(whole)))


@pytest.mark.parametrize("place", [2, 20, -1])
def test_what_doubles_cannot_hold_is_refused(place: int) -> None:
    whole = dense()
    whole[place, place] -= 2.0
    assert block_arrow_cholesky.factorize(parted(whole)) is None
