"""A film that can't show 10 ms says that ridedown is the least that it can be.

Truth is a steady blow with folds on it, written down here; its means over 10 ms are sums of it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.motion_case import both, car, crash
from tracker.motion import solve
from tracker.motion.posterior import Solution
from tracker.motion.resolution import time_resolution
from tracker.pipeline.short_means import smoothed_ridedown
from tracker.pipeline.vehicle_result import film_occupant
from tracker.results.schema import Occupant, OccupantResult, VehicleResult

G = 9.80665
STEADY, FOLD, W = 12 * G, 2 * G, 2 * np.pi * 50  # m/s2, m/s2, rad/s
LENGTH = 0.12  # s, six folds
TIME = np.arange(-0.03, 0.2, 0.002)


def folding(time: np.ndarray) -> np.ndarray:
    """States (n, 15): 20 m/s, then -12 g with folds of 2 g at 50 Hz for 120 ms, straight ahead."""
    state = np.zeros((len(time), 15))
    on = np.clip(time, 0.0, LENGTH)
    state[:, 2] = crash(time)[0, 2]
    state[:, 6] = 20 - STEADY * on - FOLD * (1 - np.cos(W * on)) / W
    gone = STEADY * on**2 / 2 + FOLD * (on - np.sin(W * on) / W) / W
    state[:, 0] = -1 + 20 * np.minimum(time, LENGTH) - gone
    state[:, 0] += state[:, 6] * np.maximum(time - LENGTH, 0.0)
    blow = (time >= 0) & (time < LENGTH)
    state[:, 12] = np.where(blow, -STEADY - FOLD * np.sin(W * on), 0.0)
    return state


def solved(noise: float, seed: int) -> Solution:
    return solve(both(TIME, folding(TIME), noise, seed), {"car": car()}, contact=0.0)


def occupant(solution: Solution) -> OccupantResult:
    found = film_occupant(solution, solution.draws(100, 1), "car", (0.6, 0.3))
    assert found is not None
    return found


@pytest.mark.parametrize("seed", range(3))
def test_ridedown_is_a_value_where_the_film_shows_the_folds(seed: int) -> None:
    solution = solved(0.02, seed)
    found = occupant(solution)
    peak = 12 + 2 * np.sin(W * 0.005) / (W * 0.005)  # the mean over 10 ms about a crest

    assert time_resolution(solution, "car", LENGTH)[0] < 0.02
    assert found.ridedown_x is not None
    assert not found.ridedown_x.at_end
    assert abs(found.ridedown_x.value + peak) < 3 * found.ridedown_x.u
    result = VehicleResult(role="striking", mass=1100.0, occupant=Occupant(film=found))
    assert not list(smoothed_ridedown(solution, {"car": result}, {}))


@pytest.mark.parametrize("seed", range(3))
def test_ridedown_is_the_least_where_noise_hides_the_folds(seed: int) -> None:
    solution = solved(1.0, seed)
    found = occupant(solution)
    result = VehicleResult(role="striking", mass=1100.0, occupant=Occupant(film=found))
    warned = list(smoothed_ridedown(solution, {"car": result}, {}))

    assert found.ridedown_x is not None
    assert found.ridedown_x.at_end
    assert found.oiv_x is not None
    assert not found.oiv_x.at_end
    assert [(w.code, w.where) for w in warned] == [("ridedown_smoothed", "vehicles.car")]
    assert "ridedown_x" in warned[0].text


def test_noisier_marks_show_an_acceleration_less_finely() -> None:
    shown = [time_resolution(solved(noise, 0), "car", LENGTH)[0] for noise in (0.02, 0.1, 1.0)]
    assert shown == sorted(shown)
    assert shown[-1] > 2 * shown[0]


def test_resolution_turns_with_the_vehicle() -> None:
    state = folding(TIME)
    across = state.copy()
    across[:, [0, 1, 6, 7, 12, 13]] = state[:, [1, 0, 7, 6, 13, 12]]
    across[:, 5] = np.pi / 2
    geometry = replace(car(), near=(0.0, -1.0, float(state[0, 2])), near_u=(np.inf,) * 3)
    turned = solve(both(TIME, across, 0.05), {"car": geometry}, contact=0.0)
    forward, right = time_resolution(turned, "car", LENGTH)
    assert forward < right
