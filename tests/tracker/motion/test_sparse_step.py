"""Steps and variances in time's order against dense algebra on the same evidence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support import motion_case as case
from tracker.motion import solve
from tracker.motion.model.unknowns import COMPONENTS
from tracker.motion.solver import gauss_newton, linearization, sparse_step
from tracker.motion.solver.dense_step import DenseStep, eliminate_error_states, solve_dense
from tracker.motion.solver.elimination_order import elimination_order
from tracker.motion.solver.iterate import Iterate
from tracker.motion.solver.linearization import NormalEquations

TIME = np.arange(-0.1, 0.3, 1e-3)


@pytest.fixture(scope="module", params=["two cameras", "one camera", "two clocks", "a gap"])
def problem(request: pytest.FixtureRequest) -> tuple[Iterate, NormalEquations]:
    """An iterate near a solution, and the normal equations there."""
    cameras = case.both(TIME, case.crash(TIME), noise=0.03)
    if request.param == "one camera":
        del cameras["side"]
    if request.param == "a gap":  # longer than error states are remembered
        for name, camera in cameras.items():
            seen = camera.measured_mask.copy()
            seen[120:290] = False
            cameras[name] = replace(camera, measured_mask=seen)
    if request.param == "two clocks":
        slower = TIME[::2] + 3e-4
        cameras["side"] = case.evidence(case.SIDE, slower, case.crash(slower), case.LEFT, 0.03, 1)
        cameras["side"] = replace(cameras["side"], zero_u=1e-3)
    solution = solve(cameras, {"car": case.car()})
    iterate, sd = solution.iterate, solution.sd
    away = 0.1 * sd * np.sqrt(np.diag(solution.unit_covariance))
    values = iterate.values + away * np.random.default_rng(2).standard_normal(len(sd))
    iterate = linearization.evaluate(iterate, values)
    normal = linearization.normal_equations(iterate)
    assert all(camera.rows.shape[2] > 5 for camera in normal.cameras)
    return iterate, normal


def dense_step(iterate: Iterate, normal: NormalEquations) -> DenseStep:
    return solve_dense(iterate, eliminate_error_states(iterate.setup, normal))


@pytest.mark.parametrize("fixed", ["nothing", "as found", "a place", "a component"])
def test_steps_are_those_of_dense_algebra(
    problem: tuple[Iterate, NormalEquations], fixed: str
) -> None:
    iterate, normal = problem
    still = np.zeros_like(iterate.fixed_mask)
    spline = still[iterate.setup.spline_slices[0]].reshape(-1, COMPONENTS)
    if fixed == "as found":
        still[:] = iterate.fixed_mask
    elif fixed == "a place":
        spline[0, 1] = True
    elif fixed == "a component":
        spline[:, 3] = True
    iterate = replace(iterate, fixed_mask=still)
    ours, dense = sparse_step.solve_sparse(iterate, normal), dense_step(iterate, normal)
    assert ours is not None
    u = np.sqrt(np.sum(dense.covariance_root**2, axis=1))
    assert np.abs((ours.change - dense.change) / np.where(u > 0, u, 1)).max() < 1e-4
    assert ours.decrement == pytest.approx(dense.decrement, rel=1e-6, abs=1e-6)
    assert not ours.change[still].any()


def test_variances_are_those_of_dense_algebra(problem: tuple[Iterate, NormalEquations]) -> None:
    iterate, normal = problem
    sd = iterate.sd
    ours, dense = sparse_step.solve_sparse(iterate, normal), dense_step(iterate, normal)
    assert ours is not None
    assert gauss_newton.variance_ratio(iterate, ours) == pytest.approx(
        gauss_newton.variance_ratio(iterate, dense), rel=1e-5
    )
    one, other = (gauss_newton.deferred_covariance(iterate, normal, s)() for s in (ours, dense))
    known = one.covariance != 0
    assert known.any(axis=1).sum() >= np.count_nonzero(sd)
    size = np.sqrt(np.diag(other.covariance))
    off = (one.covariance - other.covariance)[known] / np.outer(size, size)[known]
    assert np.abs(off).max() < 1e-6
    for (alone, beside), (alone_too, beside_too) in zip(
        one.error_states, other.error_states, strict=True
    ):
        assert alone == pytest.approx(alone_too, rel=1e-6)
        assert beside == pytest.approx(beside_too, rel=1e-5, abs=1e-9 * float(alone.max()))


def test_what_the_evidence_couples_is_in_one_block_or_neighbours(
    problem: tuple[Iterate, NormalEquations],
) -> None:
    iterate, normal = problem
    setup = iterate.setup
    order = elimination_order(
        setup, iterate.values, tuple(cam.rows.shape[2] for cam in normal.cameras)
    )
    block = np.full(setup.count, -1)
    for k, own in enumerate(order.blocks):
        block[own.spline] = k
    assert sorted(np.concatenate([*(b.spline for b in order.blocks), order.border])) == list(
        range(setup.count)
    )
    assert len(order.blocks) > 2
    one, other = np.nonzero(normal.local)
    inside = (block[one] >= 0) & (block[other] >= 0)
    assert np.abs(block[one] - block[other])[inside].max() <= 1
    for k, camera in enumerate(normal.cameras):
        knot = np.concatenate(
            [
                np.full(s.error_states[k].stop - s.error_states[k].start, n)
                for n, s in enumerate(order.blocks)
            ]
        )
        assert len(knot) == camera.rows.shape[2]
        _, _, at, column = np.nonzero(camera.rows)
        inside = block[camera.here[column]] >= 0
        assert np.abs(knot[at] - block[camera.here[column]])[inside].max() <= 1
