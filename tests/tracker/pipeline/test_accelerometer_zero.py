"""Time zero with an accelerometer's onset, on films and channels drawn by code that shares nothing
with the program (`tests.support.world_scene`), whose block has a clock of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
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


def late(solution: Solution, test: World, cameras: Mapping[str, CameraEvidence]) -> float:
    """Time zero less contact, s."""
    film = test.films["overhead"]
    times = solution.clocks["overhead"].common_times(cameras["overhead"].seconds)
    return -float(np.interp(film.zero_frame, np.arange(len(times)), times))


def test_contact_is_known_better_with_a_sound_accelerometer(
    test: World,
    cameras: Mapping[str, CameraEvidence],
    vehicles: Mapping[str, VehicleGeometry],
    film: Solution,
    sensor: Accelerometer,
) -> None:
    both = with_accelerometer_zero(film, cameras, vehicles, [sensor])
    assert abs(late(both, test, cameras)) < 2.5 * both.contact[1]
    assert abs(late(both, test, cameras)) < 0.3e-3 < abs(late(film, test, cameras))
    assert both.contact[1] < 3e-4 < film.contact[1]
    assert both.time_zero is not None
    assert "accelerometer 1 of car" in both.time_zero.sources[-1].name


def test_the_block_s_own_time_zero_is_not_used(
    test: World,
    cameras: Mapping[str, CameraEvidence],
    vehicles: Mapping[str, VehicleGeometry],
    film: Solution,
    sensor: Accelerometer,
) -> None:
    """A block whose clock is 4 ms late gives the same time zero."""
    here = with_accelerometer_zero(film, cameras, vehicles, [sensor])
    other = replace(sensor, time=sensor.time + 4e-3)
    there = with_accelerometer_zero(film, cameras, vehicles, [other])
    assert late(there, test, cameras) == pytest.approx(late(here, test, cameras), abs=1e-4)


def test_a_faulty_or_foreign_block_says_nothing(
    cameras: Mapping[str, CameraEvidence],
    vehicles: Mapping[str, VehicleGeometry],
    film: Solution,
    sensor: Accelerometer,
) -> None:
    fault = ChannelFault("ax", "saturation", 100.0, 1.0, "m/s2", "clipped")
    clipped = replace(sensor, findings=(fault,))
    doubled = replace(sensor, channels={"ax": 2 * sensor.channels["ax"]})
    truck = replace(sensor, vehicle="truck")
    for other in (clipped, doubled, truck):
        assert with_accelerometer_zero(film, cameras, vehicles, [other]) is film
