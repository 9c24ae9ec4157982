"""Steps and variances in time's order against dense algebra on the same evidence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support import motion_case as case
from tracker.motion import solve
from tracker.motion.model.unknowns import POSES, Setup
from tracker.motion.solver import gauss_newton, linearization, sparse_step
from tracker.motion.solver.dense_step import System, system, without_slow
from tracker.motion.solver.elimination_order import order_of

TIME = np.arange(-0.1, 0.3, 1e-3)


@pytest.fixture(scope="module", params=["two cameras", "one camera", "two clocks", "a gap"])
def problem(request: pytest.FixtureRequest) -> dict:
    """A setup, evidence near its solution, prior sds and what is held there."""
    cameras = case.both(TIME, case.crash(TIME), noise=0.03)
    if request.param == "one camera":
        del cameras["side"]
    if request.param == "a gap":  # longer than slow errors are remembered
        for name, camera in cameras.items():
            seen = camera.measured.copy()
            seen[120:290] = False
            cameras[name] = replace(camera, measured=seen)
    if request.param == "two clocks":
        slow = TIME[::2] + 3e-4
        cameras["side"] = case.evidence(case.SIDE, slow, case.crash(slow), case.LEFT, 0.03, 1)
        cameras["side"] = replace(cameras["side"], zero_u=1e-3)
    solution = solve(cameras, {"car": case.car()})
    setup, fit, sd = solution.setup, solution.fit, solution.sd
    away = 0.1 * sd * np.sqrt(np.diag(solution.unit_covariance))
    values = fit.at.values + away * np.random.default_rng(2).standard_normal(len(sd))
    at = linearization.point(setup, values, sd, fit.weights, fit.noise)
    told = linearization.told(setup, at, fit.weights, fit.noise)
    assert all(eye.rows.shape[2] > 5 for eye in told.eyes)
    return {"setup": setup, "told": told, "values": values, "sd": sd, "held": fit.held}


def dense_step(setup: Setup, told: linearization.Told, **asked: np.ndarray) -> System:
    return system(setup, without_slow(setup, told), **asked)


@pytest.mark.parametrize("held", ["nothing", "as found", "a place", "a component"])
def test_steps_are_those_of_dense_algebra(problem: dict, held: str) -> None:
    asked = dict(problem)
    still = np.zeros_like(problem["held"])
    spline = still[problem["setup"].spline[0]].reshape(-1, POSES)
    if held == "as found":
        still[:] = problem["held"]
    elif held == "a place":
        spline[0, 1] = True
    elif held == "a component":
        spline[:, 3] = True
    asked["held"] = still
    ours, dense = sparse_step.joint(**asked), dense_step(**asked)
    assert ours is not None
    u = np.sqrt(np.sum(dense.root**2, axis=1))
    assert np.abs((ours.change - dense.change) / np.where(u > 0, u, 1)).max() < 1e-4
    assert ours.decrement == pytest.approx(dense.decrement, rel=1e-6, abs=1e-6)
    assert not ours.change[still].any()


def test_variances_are_those_of_dense_algebra(problem: dict) -> None:
    setup, told, sd = problem["setup"], problem["told"], problem["sd"]
    ours, dense = sparse_step.joint(**problem), dense_step(**problem)
    assert ours is not None
    assert gauss_newton.left(setup, ours, sd) == pytest.approx(
        gauss_newton.left(setup, dense, sd), rel=1e-5
    )
    one, other = (gauss_newton.spreading(setup, told, s, sd)() for s in (ours, dense))
    known = one.covariance != 0
    assert known.any(axis=1).sum() >= np.count_nonzero(sd)
    size = np.sqrt(np.diag(other.covariance))
    off = (one.covariance - other.covariance)[known] / np.outer(size, size)[known]
    assert np.abs(off).max() < 1e-6
    for (alone, beside), (alone_too, beside_too) in zip(one.slow, other.slow, strict=True):
        assert alone == pytest.approx(alone_too, rel=1e-6)
        assert beside == pytest.approx(beside_too, rel=1e-5, abs=1e-9 * float(alone.max()))


def test_what_the_evidence_couples_is_in_one_block_or_neighbours(problem: dict) -> None:
    setup: Setup = problem["setup"]
    told = problem["told"]
    order = order_of(setup, problem["values"], tuple(e.rows.shape[2] for e in told.eyes))
    block = np.full(setup.count, -1)
    for k, own in enumerate(order.blocks):
        block[own.spline] = k
    assert sorted(np.concatenate([*(b.spline for b in order.blocks), order.border])) == list(
        range(setup.count)
    )
    assert len(order.blocks) > 2
    one, other = np.nonzero(told.local)
    inside = (block[one] >= 0) & (block[other] >= 0)
    assert np.abs(block[one] - block[other])[inside].max() <= 1
    for k, eye in enumerate(told.eyes):
        knot = np.concatenate(
            [np.full(s.slow[k].stop - s.slow[k].start, n) for n, s in enumerate(order.blocks)]
        )
        assert len(knot) == eye.rows.shape[2]
        _, _, at, column = np.nonzero(eye.rows)
        inside = block[eye.here[column]] >= 0
        assert np.abs(knot[at] - block[eye.here[column]])[inside].max() <= 1
