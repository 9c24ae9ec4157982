"""Exit, exit box, deflections and places of rest against examples worked by hand.

Definitions of deflections: EN 1317-2, as the European Union Road Federation's "Key terminology" of
EN 1317 gives them (rrs.erf.be: working width, vehicle intrusion).
"""

import numpy as np
import pytest

from calibration.arrays import Array
from tracker.core.types import STATE, FreePath
from tracker.outcome.contact import ContactEnd
from tracker.outcome.deflection import article_figures, vehicle_intrusion
from tracker.outcome.exit import find_exit, typed_end
from tracker.outcome.exit_box import box_crossing, exit_box
from tracker.outcome.headline import COLUMN, PosteriorSamples
from tracker.outcome.rest import StatedPlace, final_place
from tracker.outcome.traffic_face import TrafficFace
from tracker.pipeline.article_geometry import outline_corners, placed_points
from tracker.record.schema import Vehicle

FOOT = 0.3048


def straight(vx: float, vy: float, yaw: float, noise: float = 0.0) -> PosteriorSamples:
    """A vehicle at constant velocity and yaw rate 0.5 rad/s; draws differ in vx alone."""
    time = np.linspace(-0.1, 0.5, 301)
    state = np.zeros((len(time), len(STATE)))
    state[:, COLUMN["vx_mps"]], state[:, COLUMN["vy_mps"]] = vx, vy
    state[:, COLUMN["x_m"]], state[:, COLUMN["y_m"]] = vx * time, vy * time
    state[:, COLUMN["yaw_rad"]] = yaw + 0.5 * time
    state[:, COLUMN["yaw_rate_radps"]] = 0.5
    draws = np.repeat(state[None], 400, axis=0)
    draws[..., COLUMN["vx_mps"]] += np.random.default_rng(2).normal(0, noise, (400, 1))
    return PosteriorSamples(time, state, draws)


def test_exit_figures_are_those_of_the_state_at_the_loss_of_contact() -> None:
    # 3-4-5: 20 m/s forward and 15 m/s to the left are 25 m/s at -36.870 degrees.
    motion = straight(20.0, -15.0, yaw=np.radians(-10.0), noise=0.1)

    found = find_exit(motion, typed_end(0.3, 0.0, 400, 1))

    assert found is not None
    assert found.speed is not None
    assert found.trajectory_angle is not None
    assert found.heading_angle is not None
    assert found.yaw_rate is not None
    assert found.speed.value == pytest.approx(25.0)
    assert found.speed.u == pytest.approx(0.1 * 20 / 25, rel=0.1)  # d|v| = vx/|v| dvx
    assert np.degrees(found.trajectory_angle.value) == pytest.approx(-36.870, abs=1e-3)
    assert found.heading_angle.value == pytest.approx(np.radians(-10.0) + 0.15)
    assert found.yaw_rate.value == pytest.approx(0.5)


def test_angles_at_exit_are_against_the_article_and_an_uncertain_time_widens_them() -> None:
    motion = straight(20.0, 0.0, yaw=0.0)

    found = find_exit(motion, typed_end(0.3, 0.01, 400, 1), heading=np.radians(25.0))

    assert found is not None
    assert found.heading_angle is not None
    assert found.trajectory_angle is not None
    assert np.degrees(found.trajectory_angle.value) == pytest.approx(-25.0)
    assert found.heading_angle.value == pytest.approx(0.15 - np.radians(25.0))
    assert found.heading_angle.u == pytest.approx(0.5 * 0.01, rel=0.1)  # yaw rate times u of time


def test_there_is_no_exit_while_contact_lasts() -> None:
    lasting = ContactEnd(0.5, 0.0, False, np.full(400, 0.5))

    assert find_exit(straight(20.0, 0.0, 0.0), lasting) is None


def test_the_exit_box_of_a_pickup_in_feet() -> None:
    # A = 7.2 ft + W + 0.16 L, B = 32.8 ft (from memory; B: doi 10.17226/27896, table 86).
    box = exit_box("pickup", width=6.5 * FOOT, length=19.0 * FOOT)

    assert box.depth / FOOT == pytest.approx(7.2 + 6.5 + 0.16 * 19.0, abs=0.02)
    assert box.length / FOOT == pytest.approx(32.8, abs=0.01)


def test_the_exit_box_of_a_truck_is_twice_as_long_and_deeper_by_two_metres_and_a_fifth() -> None:
    car, truck = (exit_box(kind, width=2.5, length=10.0) for kind in ("car", "truck"))

    assert car.depth == pytest.approx(2.2 + 2.5 + 1.6)
    assert truck.depth - car.depth == pytest.approx(2.2)
    assert truck.length == pytest.approx(2 * car.length)


def wheel(angle: float, start: float, way: float) -> Array:
    """The straight path (n, 1, 2) of one wheel that leaves a face along x to the left."""
    s = np.linspace(0.0, way, 400)
    path = np.stack([start + s * np.cos(angle), -s * np.sin(angle)], axis=-1)
    return np.asarray(path[:, None])


@pytest.mark.parametrize(
    ("angle", "way", "crossed", "at"),
    [
        (30.0, 14.0, True, 4.5 / np.tan(np.radians(30.0))),  # 7.79 m: within 10 m
        (20.0, 20.0, False, 4.5 / np.tan(np.radians(20.0))),  # 12.36 m: beyond 10 m
        (10.0, 11.0, False, None),  # passed the end of the box inside it
        (10.0, 6.0, None, None),  # the film ends in the box
    ],
)
def test_a_wheel_crosses_where_its_straight_path_meets_the_line(
    angle: float, way: float, crossed: bool | None, at: float | None
) -> None:
    face, box = TrafficFace(0.0, 0.0), exit_box("car", width=1.7, length=3.75, start=3.0)
    assert box.depth == pytest.approx(4.5)  # 2.2 + 1.7 + 0.16 * 3.75
    path = wheel(np.radians(angle), 3.0, way)
    draws = np.repeat(path[None], 50, axis=0)

    found = box_crossing(box, face, path, draws, np.full(50, 3.0), rest=False, exact=True)

    assert found.crossed is crossed
    if at is None:
        assert found.at is None
    else:
        assert found.at is not None
        assert found.at.value == pytest.approx(at, abs=1e-6)


def test_a_crossing_near_the_end_of_the_box_is_not_judged() -> None:
    face, box = TrafficFace(0.0, 0.0), exit_box("car", width=1.7, length=3.75, start=0.0)
    path = wheel(np.arctan2(4.5, 10.0), 0.0, 14.0)
    draws = path + np.random.default_rng(0).normal(0, 0.05, (200, 1, 1, 2))

    found = box_crossing(box, face, path, draws, np.zeros(200), rest=False, exact=True)

    assert found.crossed is None
    assert "near" in found.why


def test_corners_that_cross_tell_nothing_of_the_wheels() -> None:
    face, box = TrafficFace(0.0, 0.0), exit_box("car", width=1.7, length=3.75, start=0.0)
    path = wheel(np.radians(40.0), 0.0, 14.0)

    found = box_crossing(box, face, path, path[None], np.zeros(1), rest=False, exact=False)

    assert found.crossed is None
    assert found.at is None


def test_places_by_a_turned_face_come_back() -> None:
    face = TrafficFace(np.radians(25.0), 1.2, side=-1.0)

    point = face.place(4.0, 0.3)

    assert face.along(point) == pytest.approx(4.0)
    assert face.behind(point) == pytest.approx(0.3)


def moved(lateral: Array, time: Array, start: tuple[float, float, float], noise: float) -> FreePath:
    position = np.array(start) + np.stack([0 * time, lateral, 0 * time], axis=-1)
    errors = np.random.default_rng(1).normal(0, noise, (300, 1, 3))
    return FreePath(
        time,
        position,
        np.full(position.shape, noise),
        position[None] + errors * (time > 0)[None, :, None],
        np.array(start),
        np.tile(start, (300, 1)),
    )


def test_deflections_and_working_width_of_two_posts() -> None:
    # Post a moves 0.60 m and springs back to 0.40 m, post b 0.30 m; the rail is 0.20 m wide.
    time = np.linspace(-0.1, 0.6, 701)
    rise = np.clip(time / 0.2, 0, 1)
    back = np.clip((time - 0.2) / 0.1, 0, 1)
    paths = {
        "a": moved(0.6 * rise - 0.2 * back, time, (2.0, 1.25, -0.7), 1e-3),
        "b": moved(0.3 * rise, time, (4.0, 1.25, -0.7), 1e-3),
    }

    found = article_figures(paths, TrafficFace(0.0, 1.2), 0.2, known_face=True)

    assert found.dynamic is not None
    assert found.permanent is not None
    assert found.working_width is not None
    assert found.dynamic.mark == "a"
    assert found.dynamic.value.value == pytest.approx(0.60)
    assert found.dynamic.value.time == pytest.approx(0.2)
    assert found.dynamic.value.u == pytest.approx(1e-3, rel=0.15)
    assert found.permanent.value.value == pytest.approx(0.40)
    assert found.working_width.value.value == pytest.approx(0.80)  # 0.60 + 0.20


def test_a_mark_that_broke_off_does_not_count_in_the_greatest() -> None:
    time = np.linspace(-0.1, 0.6, 701)
    paths = {
        "a": moved(0.3 * np.clip(time / 0.2, 0, 1), time, (2.0, 1.25, -0.7), 1e-3),
        "b": moved(3.0 * np.clip(time, 0, None), time, (4.0, 1.25, -0.7), 1e-3),
    }

    found = article_figures(paths, TrafficFace(0.0, 1.2), 0.2, True, detached=["b"])

    assert found.dynamic is not None
    assert found.dynamic.mark == "a"
    assert found.marks["b"][0] is not None


def test_without_a_width_the_marks_own_place_counts() -> None:
    time = np.linspace(-0.1, 0.6, 701)
    paths = {"a": moved(0.5 * np.clip(time / 0.2, 0, 1), time, (2.0, 1.25, -0.7), 0.0)}

    found = article_figures(paths, TrafficFace(0.0, 1.2), None, known_face=True)

    assert found.working_width is not None
    assert found.working_width.value.value == pytest.approx(0.55)  # 1.25 + 0.50 - 1.20


def test_a_film_that_ends_while_the_article_moves_says_so() -> None:
    time = np.linspace(-0.1, 0.3, 401)
    paths = {"a": moved(np.clip(time, 0, None), time, (2.0, 1.25, -0.7), 1e-4)}

    found = article_figures(paths, TrafficFace(0.0, 1.2), None, known_face=False)

    assert found.dynamic is not None
    assert found.dynamic.value.at_end
    assert found.permanent is not None
    assert found.permanent.value.at_end
    assert found.working_width is None


def test_intrusion_is_that_of_the_vehicles_farthest_point_behind_the_face() -> None:
    time = np.linspace(-0.1, 0.5, 601)
    corner = np.stack([time, 1.2 + 0.4 * np.sin(np.pi * np.clip(time, 0, 0.5)), 0 * time], axis=-1)
    points = {"corner": (corner, corner[None] + np.zeros((3, 1, 1)))}

    found = vehicle_intrusion(time, points, TrafficFace(0.0, 1.2))

    assert found is not None
    assert found.mark == "corner"
    assert found.value.value == pytest.approx(0.4)
    assert vehicle_intrusion(time, points, TrafficFace(0.0, 5.0)) is None


def test_a_truck_that_leans_over_the_rail_intrudes_by_the_top_of_its_notional_load() -> None:
    """EN 1317-2:2010: a load as wide as the platform, 4 m high. Right side 0.10 m behind the face,
    leaning by 5 degrees about a point 1.2 m high: 0.10 + 1.25 (cos 5 - 1) + 2.8 sin 5 = 0.339 m.
    """
    truck = Vehicle(
        role="striking",
        cg=["0 m", "0 m", "-1.2 m"],
        outline={"front": "1.4 m", "length": "9 m", "width": "2.5 m", "height": "4 m"},
    )
    motion = straight(20.0, 0.0, yaw=0.0)
    state = motion.state.copy()
    state[:, COLUMN["y_m"]], state[:, COLUMN["z_m"]] = 1.30 - 1.25, -1.2
    state[:, COLUMN["roll_rad"]] = np.radians(5.0) * (motion.time > 0.2)
    state[:, COLUMN["yaw_rad"]] = 0.0
    leaning = PosteriorSamples(motion.time, state, np.repeat(state[None], 3, axis=0))

    placed = placed_points(
        leaning,
        np.array(truck.cg),
        outline_corners(truck),
        lambda at: np.tile(at - truck.cg, (3, 1)),
    )
    found = vehicle_intrusion(leaning.time, placed, TrafficFace(0.0, 1.2))

    assert found is not None
    assert found.mark.endswith("right corner, top")
    wanted = 0.10 + 1.25 * (np.cos(np.radians(5)) - 1) + 2.8 * np.sin(np.radians(5))
    assert found.value.value == pytest.approx(wanted)


def test_a_place_from_the_tape_is_downstream_and_to_the_traffic_side_of_the_impact() -> None:
    # 230 ft downstream, 93 ft to the traffic side, 30 deg left, as doi 10.17226/27896, table 86.
    face = TrafficFace(0.0, 2.0)
    stated = StatedPlace(
        (230 * FOOT + 1.0, 0.05), (2.0 - 93 * FOOT, 0.05), (np.radians(-30.0), 0.02), "tape"
    )
    impact = np.array([1.0, 2.0])

    found = final_place(straight(20.0, 0.0, 0.0), stated, face, (impact, np.tile(impact, (400, 1))))

    assert found is not None
    assert found.at_rest
    assert found.source == "tape"
    assert found.downstream is not None
    assert found.lateral is not None
    assert found.downstream.value / FOOT == pytest.approx(230.0)
    assert found.lateral.value / FOOT == pytest.approx(93.0)
    assert found.downstream.u == pytest.approx(0.05, rel=0.15)


def test_a_vehicle_that_still_moves_is_not_at_rest() -> None:
    found = final_place(straight(20.0, 0.0, 0.0), None, None, None)

    assert found is not None
    assert not found.at_rest
    assert found.source == "film"
    assert found.downstream is not None
    assert found.downstream.at_end
    assert found.downstream.value == pytest.approx(20.0 * 0.5)
