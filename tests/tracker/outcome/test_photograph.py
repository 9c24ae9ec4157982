"""Places at rest from picks in a later photograph, against their own truth."""

import numpy as np
import pytest

from tests.support import motion_case as case
from tracker.core.rigid_body import rotate_vectors
from tracker.outcome.photograph import photographed_place
from tracker.record.after_contact import Rest

ARMS = np.array([case.MARKERS[m] for m in case.TOP]) - np.array(case.CG)
STANCE = np.array([-0.56, 0.01, -0.005])


def picks(place: tuple[float, float, float], noise: float, seed: int) -> np.ndarray:
    angles = np.tile([STANCE[1], STANCE[2], place[2]], (len(ARMS), 1))
    points = np.array([place[0], place[1], STANCE[0]]) + rotate_vectors(angles, ARMS)[0]
    error = np.random.default_rng(seed).normal(0, noise, (len(ARMS), 2))
    return np.asarray(case.OVERHEAD.project(points) + error)


@pytest.mark.parametrize("heading", [0.3, 2.0, -2.9])
def test_the_place_of_a_vehicle_that_has_turned_right_round_is_found(heading: float) -> None:
    off = []
    for seed in range(20):
        found = photographed_place(
            case.OVERHEAD, ARMS, picks((0.8, -1.1, heading), 1.0, seed), 1.0, 1e-3, STANCE
        )
        assert found is not None
        assert found.source == "photograph"
        assert abs(found.x[0] - 0.8) < 0.03
        assert abs(found.y[0] + 1.1) < 0.03
        assert abs(found.heading[0] - heading) < np.radians(1.0)
        off += [(found.x[0] - 0.8) / found.x[1], (found.heading[0] - heading) / found.heading[1]]
    assert np.mean(np.abs(off) < 1.96) > 0.85


def test_a_camera_that_looks_up_tells_no_place() -> None:
    camera = case.camera_at((0.0, 0.0, -1.0), (10.0, 0.0, -4.0))

    assert photographed_place(camera, ARMS, np.full((6, 2), 100.0), 1.0, 1e-3, STANCE) is None


@pytest.mark.parametrize(
    "table",
    [
        {},
        {"camera": "top", "picks": {"roof1": [1.0, 2.0]}},
        {"picks": {"roof1": [1.0, 2.0], "roof2": [3.0, 4.0]}},
        {"at": ["1 m", "2 m"], "camera": "top", "picks": {"a": [1.0, 2.0], "b": [3.0, 4.0]}},
    ],
)
def test_a_place_of_rest_has_one_source(table: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="either"):
        Rest.model_validate(table)


def test_picks_in_a_photograph_are_a_place_of_rest() -> None:
    rest = Rest.model_validate({"camera": "top", "picks": {"a": [1.0, 2.0], "b": [3.0, 4.0]}})

    assert rest.at is None
    assert rest.pick_u == 1.0
