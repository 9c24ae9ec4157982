"""Correlated errors along a film against the dense algebra of the same matrices (numpy.linalg)."""

import numpy as np
import pytest

from tracker.motion.model import correlated_errors
from tracker.motion.options import NOISE

FRAMES = np.array([3, 4, 7, 60, 61, 95, 130, 131, 132, 210, 260, 399])
MARKS = 3
VARIANCE = np.array([0.3, 0.0, 2.0])


@pytest.fixture(scope="module")
def knots():
    return correlated_errors.error_chain(FRAMES)


@pytest.fixture(scope="module")
def weight():
    drawn = np.random.default_rng(5).uniform(0.2, 3.0, (len(FRAMES), MARKS))
    drawn[4, 2] = 0.0  # hidden there
    return drawn


def hats(knots) -> np.ndarray:
    """(frames, knots): what each knot's value adds to each frame."""
    out = np.zeros((len(FRAMES), knots.count))
    for q in range(2):
        out[np.arange(len(FRAMES)), knots.knot + q] = knots.linear_weights[:, q]
    return out


def dense(knots, weight, m: int) -> np.ndarray:
    """A mark's normal matrix (knots, knots): the prior of an autoregression by its covariance."""
    apart = np.abs(np.subtract.outer(np.arange(knots.count), np.arange(knots.count)))
    rows = hats(knots)
    return np.linalg.inv(VARIANCE[m] * np.exp(-1.0 * apart)) + rows.T @ (weight[:, m, None] * rows)


def test_an_error_between_two_knots_is_theirs_by_its_distance(knots):
    assert np.allclose(knots.linear_weights.sum(axis=1), 1.0)
    assert np.allclose(
        (knots.knot + knots.linear_weights[:, 1]) * NOISE.error_memory, FRAMES - FRAMES[0]
    )


def test_whitening_by_the_factor_is_dense_cholesky(knots, weight):
    rng = np.random.default_rng(1)
    rows = rng.standard_normal((MARKS, 2, knots.count, 4))
    factor, out = correlated_errors.cholesky_factors(knots, weight, VARIANCE), rows.copy()
    correlated_errors.whiten(factor, out)
    for m in (0, 2):
        matrix = dense(knots, weight, m)
        lower = np.linalg.cholesky(matrix)
        assert np.allclose(out[m], np.linalg.solve(lower, rows[m]))
        assert np.allclose(
            correlated_errors.whiten_transposed(factor, out)[m], np.linalg.solve(matrix, rows[m])
        )
    assert not out[1].any()  # a mark without correlated errors has no states
    for some, part in correlated_errors.whitened_chunks(factor, rows):
        assert np.allclose(part, out[:, :, some])


def test_the_inverse_band_is_that_of_the_dense_inverse(knots, weight):
    diagonal, beside = correlated_errors.inverse_band(
        correlated_errors.cholesky_factors(knots, weight, VARIANCE)
    )
    for m in (0, 2):
        inverse = np.linalg.inv(dense(knots, weight, m))
        assert np.allclose(diagonal[m], np.diag(inverse))
        assert np.allclose(beside[m], np.diag(inverse, 1))


def test_sums_by_knots_and_values_at_frames_are_each_others_transpose(knots):
    rng = np.random.default_rng(2)
    at_frames = rng.standard_normal((len(FRAMES), MARKS, 2))
    at_knots = rng.standard_normal((MARKS, 2, knots.count))
    sums, values = (
        correlated_errors.sum_by_knots(knots, at_frames),
        correlated_errors.interpolate(knots, at_knots),
    )
    assert np.allclose(sums, np.einsum("fk,fmi->mik", hats(knots), at_frames))
    assert np.sum(sums * at_knots) == pytest.approx(np.sum(at_frames * values))


def test_columns_that_matter_are_found_part_by_part():
    rows = np.zeros((2, 12))
    rows[0, 3], rows[1, 5], rows[0, 9] = 1.0, -2.0, 1e-9
    assert correlated_errors.touched_ranges(rows, ((0, 4), (4, 8), (8, 12)), 1e-6) == [
        (3, 4),
        (5, 6),
    ]
    assert correlated_errors.touched_ranges(rows, ((0, 8), (8, 12)), 0.0) == [(3, 6), (9, 10)]
    assert correlated_errors.touched_ranges(np.zeros((2, 12)), ((0, 12),), 0.0) == []


def test_every_knot_is_in_one_chunk():
    for count in (1, 7, 8, 9, 40):
        assert [k for some in correlated_errors.chunks(count) for k in range(count)[some]] == list(
            range(count)
        )
