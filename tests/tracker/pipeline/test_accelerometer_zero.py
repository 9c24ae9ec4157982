"""Time zero with an accelerometer's onset, on films and channels drawn by code that shares nothing
with the program (`tests.support.world_scene`), whose block has a clock of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pytest

from tests.bench.world import block, evidence
from tests.support.world_scene import CG, MARKER_U, World, world
from tracker.accelerometers import Accelerometer, ChannelFault
from tracker.motion import CameraEvidence, Solution, VehicleGeometry, solve
from tracker.pipeline.accelerometer_zero import with_accelerometer_zero

SEED = 3
ROLES = {"car": "striking", "truck": "struck"}


@pytest.fixture(scope="module")
def test() -> World:
    return world("sensor", 82.0, SEED)


@pytest.fixture(scope="module")
def cameras(test: World) -> Mapping[str, CameraEvidence]:
    return {name: evidence(name, film)[0] for name, film in test.films.items()}


@pytest.fixture(scope="module")
def vehicles(test: World) -> Mapping[str, VehicleGeometry]:
    return {v: VehicleGeometry(CG[v], m, MARKER_U, ROLES[v]) for v, m in test.markers.items()}


@pytest.fixture(scope="module")
def film(
    cameras: Mapping[str, CameraEvidence], vehicles: Mapping[str, VehicleGeometry]
) -> Solution:
    return solve(cameras, vehicles, contact=None)


@pytest.fixture(scope="module")
def sensor(test: World) -> Accelerometer:
    assert test.sensor is not None
    return block(*test.sensor)


@pytest.fixture(scope="module")
def with_block(
    film: Solution,
    cameras: Mapping[str, CameraEvidence],
    vehicles: Mapping[str, VehicleGeometry],
) -> Callable[[Accelerometer], Solution]:
    """The film's solution with time zero by a block, too."""
    return lambda own: with_accelerometer_zero(film, cameras, vehicles, [own])


@pytest.fixture(scope="module")
def late(test: World, cameras: Mapping[str, CameraEvidence]) -> Callable[[Solution], float]:
    """Time zero less contact, s."""

    def of(solution: Solution) -> float:
        times = solution.clocks["overhead"].common_times(cameras["overhead"].seconds)
        return -float(np.interp(test.films["overhead"].zero_frame, np.arange(len(times)), times))

    return of


def test_contact_is_known_better_with_a_sound_accelerometer(
    film: Solution,
    sensor: Accelerometer,
    with_block: Callable[[Accelerometer], Solution],
    late: Callable[[Solution], float],
) -> None:
    both = with_block(sensor)
    assert abs(late(both)) < 2.5 * both.contact[1]
    assert abs(late(both)) < 0.3e-3 < abs(late(film))
    assert both.contact[1] < 3e-4 < film.contact[1]
    assert both.time_zero is not None
    assert "accelerometer 1 of car" in both.time_zero.sources[-1].name


def test_the_block_s_own_time_zero_is_not_used(
    sensor: Accelerometer,
    with_block: Callable[[Accelerometer], Solution],
    late: Callable[[Solution], float],
) -> None:
    """A block whose clock is 4 ms late gives the same time zero."""
    there = with_block(replace(sensor, time=sensor.time + 4e-3))
    assert late(there) == pytest.approx(late(with_block(sensor)), abs=1e-4)


def test_a_faulty_or_foreign_block_says_nothing(
    film: Solution,
    sensor: Accelerometer,
    with_block: Callable[[Accelerometer], Solution],
) -> None:
    fault = ChannelFault("ax", "saturation", 100.0, 1.0, "m/s2", "clipped")
    clipped = replace(sensor, findings=(fault,))
    doubled = replace(sensor, channels={"ax": 2 * sensor.channels["ax"]})
    truck = replace(sensor, vehicle="truck")
    for other in (clipped, doubled, truck):
        assert with_block(other) is film
