"""Shares of the uncertainty of headline numbers.

Source of the law of addition: JCGM 100 (GUM), 5.1.2.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.support import motion_case as case
from tracker.motion import SOURCES, Solution, solve
from tracker.pipeline.uncertainty_budget import budgets
from tracker.pipeline.vehicle_result import film_occupant, sample_motion, vehicle_result
from tracker.record.schema import Vehicle
from tracker.results.schema import Budget, Occupant

TIME = np.arange(-0.05, 0.2, 4e-3)
ZERO_U = 2e-3


def solved(zero_u: float) -> Solution:
    """Of one camera's film whose time zero is uncertain and whose pose and lens aren't."""
    seen = case.evidence(case.OVERHEAD, TIME, case.crash(TIME), case.TOP, 0.03)
    return solve({"a": replace(seen, zero_u=zero_u)}, {"car": case.car()})


def found_budgets(solution: Solution, distances: tuple[float, float]) -> dict[str, Budget]:
    """By quantity, with these flail distances (m)."""
    draws = solution.draws(300, 1)
    table = Vehicle.model_construct(role="struck", cg=case.CG)
    moves = {"car": sample_motion(solution, draws, "car", TIME)}
    occupant = Occupant(film=film_occupant(solution, draws, "car", distances))
    numbers = {"car": vehicle_result(table, moves["car"], occupant, None)}
    found = budgets(solution, {"car": table}, moves, numbers, None, {"car": distances})
    return {b.quantity: b for b in found}


@pytest.fixture(scope="module")
def reported() -> dict[str, Budget]:
    return found_budgets(solved(ZERO_U), (0.6, 0.3))


def share(budget: Budget, source: str) -> float:
    return next(s.u for s in budget.shares if s.source == source)


def test_every_headline_number_has_its_budget(reported: dict[str, Budget]) -> None:
    assert set(reported) == {
        "car: impact speed",
        "car: largest pitch",
        "car: largest yaw",
        "car: travel along x",
        "car: occupant impact velocity along x",
        "car: ridedown along x",
    }


def test_variances_of_the_sources_add_up_to_the_whole(reported: dict[str, Budget]) -> None:
    for budget in reported.values():
        assert {s.source for s in budget.shares} == {*SOURCES} - {"accelerometer"}
        total = np.sqrt(sum(s.u**2 for s in budget.shares))
        assert total == pytest.approx(budget.u, rel=0.3), budget.quantity


def test_an_occupant_who_does_not_reach_the_interior_has_the_budget_of_what_is_reported() -> None:
    """The vehicle's change of velocity during contact; the film's last frame shows it less well."""
    budget = found_budgets(solved(1e-5), (60.0, 30.0))["car: occupant impact velocity along x"]
    total = np.sqrt(sum(s.u**2 for s in budget.shares))
    assert total == pytest.approx(budget.u, rel=0.3)


def test_a_source_without_uncertainty_has_no_share(reported: dict[str, Budget]) -> None:
    for budget in reported.values():
        assert share(budget, "lens") < 1e-9 * budget.u
        assert share(budget, "pose") < 1e-9 * budget.u


def test_a_clock_that_is_off_moves_travel_by_the_change_of_speed(
    reported: dict[str, Budget],
) -> None:
    """Travel from time zero to a film's end taken a little later: 9 m/s at the end, 14 before."""
    budget = reported["car: travel along x"]
    assert share(budget, "time") > 0
    assert share(budget, "time") < (14.0 - 9.0) * ZERO_U * 1.3
