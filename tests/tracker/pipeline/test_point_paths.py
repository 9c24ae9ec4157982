"""Paths of unmarked points of a vehicle: a rigid body's, about its cg."""

from dataclasses import dataclass

import numpy as np
import pytest

from tests.support import motion_case as case
from tracker.motion import solve
from tracker.pipeline.vehicle_result import point_paths

TIME = np.arange(-0.02, 0.06, 4e-3)
POINTS = {"cg": case.CG, "nose": (2.05, 0.3, -0.5), "far": (9.0, 0.0, -0.5)}


@dataclass(frozen=True)
class Table:
    """What `point_paths` reads of a record's vehicle."""

    cg: tuple[float, ...]
    points: dict[str, tuple[float, ...]]


@pytest.fixture(scope="module")
def solution():
    truth = case.crash(TIME)
    seen = case.evidence(case.OVERHEAD, TIME, truth, case.TOP, 0.03)
    return solve({"a": seen}, {"car": case.car()})


@pytest.fixture(scope="module")
def paths(solution):
    table = Table(tuple(case.CG), {n: tuple(p) for n, p in POINTS.items()})
    return point_paths(solution, solution.draws(200, 1), "car", table, TIME)


def test_the_point_at_the_cg_follows_the_cg(solution, paths):
    motion = solution.motion("car", TIME)
    assert np.any(case.CG), "a cg at the origin could not distinguish its place from none"
    assert paths["cg"].position == pytest.approx(motion.state[:, :3], abs=1e-9)
    assert paths["cg"].velocity == pytest.approx(motion.state[:, 6:9], abs=1e-9)
    assert paths["cg"].position_u == pytest.approx(motion.u[:, :3], rel=0.25)


def test_a_point_keeps_its_distance_from_the_cg(solution, paths):
    """Rigid body: the distance is that of the survey at all times."""
    cg = solution.motion("car", TIME).state[:, :3]
    for name in ("nose", "far"):
        distance = np.linalg.norm(paths[name].position - cg, axis=1)
        surveyed = np.linalg.norm(np.subtract(POINTS[name], case.CG))
        assert distance == pytest.approx(surveyed, abs=1e-9)


def test_a_points_velocity_is_the_rate_of_its_place(paths):
    """Central differences of the path, away from contact, where the acceleration may jump."""
    path, later = paths["nose"], slice(8, -1)
    rate = np.gradient(path.position, TIME, axis=0)
    assert rate[later] == pytest.approx(path.velocity[later], abs=0.02)


def test_a_point_far_ahead_of_the_markers_is_known_less_well_than_the_middle(paths):
    far, cg = paths["far"], paths["cg"]
    assert (far.position_u.mean(axis=0) > cg.position_u.mean(axis=0))[1:].all()
    assert np.isfinite(far.position).all()
