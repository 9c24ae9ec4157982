"""Results made again are reported from results that changed."""

from dataclasses import replace

import numpy as np
import pytest

from tests.support.made_results import made_results
from tracker.results.compare import differences


def test_the_same_results_do_not_differ():
    assert differences(made_results(), made_results()) == ()


def test_rounding_of_the_last_digits_is_no_difference():
    old = made_results()
    motion = old.motion["car"]
    new = replace(
        old, motion=dict(old.motion) | {"car": replace(motion, state=motion.state * (1 + 1e-13))}
    )
    assert differences(old, new) == ()


@pytest.mark.parametrize("share", [1e-6, -1e-3])
def test_a_changed_number_is_named_with_both_values(share):
    old = made_results()
    speed = old.vehicles["car"].impact_speed
    car = replace(old.vehicles["car"], impact_speed=replace(speed, value=speed.value * (1 + share)))
    new = replace(old, vehicles=dict(old.vehicles) | {"car": car})
    (line,) = differences(old, new)
    assert line.startswith("vehicles.car.impact_speed.value: 27.482 before, ")


def test_a_number_that_is_no_longer_determined_differs():
    old = made_results()
    (line,) = differences(old, replace(old, crush=None))
    assert line.startswith("crush: ")
    assert line.endswith(" before, None now")


def test_a_changed_track_is_named_with_its_line():
    old = made_results()
    position = old.tracks["side"].position.copy()
    position[7, 1] += 1e-3
    new = replace(
        old, tracks=dict(old.tracks) | {"side": replace(old.tracks["side"], position=position)}
    )
    assert differences(old, new) == ("tracks/side.csv: line 17 differs",)


def test_motion_of_another_length_differs():
    old = made_results()
    motion = old.motion["car"]
    half = replace(
        motion,
        **{
            name: np.asarray(getattr(motion, name))[:200]
            for name in ("time", "state", "u", "observed_mask")
        },
    )
    found = differences(old, replace(old, motion=dict(old.motion) | {"car": half}))
    assert found == ("motion/car.csv: 401 lines before, 201 now",)


def test_a_vehicle_without_points_has_no_table_to_differ():
    old = made_results()
    assert differences(old, replace(old, points=dict(old.points) | {"truck": {}})) == ()
