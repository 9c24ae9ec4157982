"""Before the test: what is seen, how well marks are measured, and what the numbers are worth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.special import erf

from calibration.errors import Problem
from tests.support.plan_case import planned
from tracker.cli.main import main
from tracker.planning import Plan, make_plan, write_plan
from tracker.planning.layout import outward_normals, stands
from tracker.planning.motion import PlannedMotion, planned_motion
from tracker.planning.noise import AssumedPicture, mark_covariance
from tracker.planning.numbers import numbers, points_to_check, time_in_view
from tracker.planning.options import PLANNED_MOTION
from tracker.planning.plan import EXPOSURE, MARKS, MORE_SURVEY
from tracker.planning.predict import predict
from tracker.planning.view import mark_views
from tracker.record.load import InvalidRecordError, load_planned, load_record


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    return make_plan(planned(tmp_path_factory.mktemp("plan")))


def test_before_the_test_films_and_picks_may_be_missing_and_nothing_else(tmp_path: Path) -> None:
    assert planned(tmp_path).cameras["top"].film is None
    with pytest.raises(InvalidRecordError, match="'film' is missing"):
        load_record(tmp_path / "record.toml")
    with pytest.raises(InvalidRecordError, match="write 'position'"):
        planned(tmp_path, ('position = ["-2 m", "0 m", "-12 m"]', 'positon = ["0 m"]'))
    with pytest.raises(InvalidRecordError, match="no unit where a length is needed"):
        planned(tmp_path, ('size = "0.3 m"', "size = 0.3"))


# The Cramer-Rao bound is worked out from a rendered mark: pictures of edges blurred by a
# Gaussian, the information is the sum over pixels of the squared derivative by the place.
def _bound(render, contrast: float, noise: float) -> np.ndarray:
    x, y = np.meshgrid(np.arange(-40.0, 41.0) + 0.3, np.arange(-40.0, 41.0) - 0.2)
    h = 1e-4
    gx = (render(x + h, y) - render(x - h, y)) * contrast / (2 * h)
    gy = (render(x, y + h) - render(x, y - h)) * contrast / (2 * h)
    g = np.stack([gx.ravel(), gy.ravel()])
    return np.asarray(np.linalg.inv(g @ g.T) * noise**2)


def _edge(d: np.ndarray, s: float) -> np.ndarray:
    return np.asarray(0.5 * (1 + erf(d / (np.sqrt(2) * s))))


@pytest.mark.parametrize("size", [14.0, 30.0])
def test_a_disc_is_measured_as_well_as_the_bound_of_its_picture(size: float) -> None:
    picture = AssumedPicture(noise=3.0, floor=0.0)
    bound = _bound(lambda x, y: _edge(size / 2 - np.hypot(x, y), picture.s), 110.0, 3.0)
    reported = mark_covariance("disc", size, np.zeros(2), picture)
    assert reported == pytest.approx(bound, rel=0.03, abs=1e-7)


def test_a_quadrant_is_measured_as_well_as_the_bound_of_its_picture() -> None:
    picture = AssumedPicture(noise=3.0, floor=0.0)
    s, r = picture.s, 15.0

    def render(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        sectors = 0.5 * (2 * _edge(x, s) - 1) * (2 * _edge(y, s) - 1)
        return np.asarray(sectors * _edge(r - np.hypot(x, y), s))

    bound = _bound(render, 110.0, 3.0)
    reported = mark_covariance("quadrant", 2 * r, np.zeros(2), picture)
    assert np.diag(reported) == pytest.approx(np.diag(bound), rel=0.12)


def test_motion_during_the_exposure_blurs_along_itself() -> None:
    picture = AssumedPicture(noise=3.0, floor=0.0)
    still, fast, long = (
        mark_covariance("disc", 20.0, np.array([b, 0.0]), picture) for b in (0.0, 2.0, 10.0)
    )
    s, r, b = picture.s, 10.0, 10.0
    shifts = np.linspace(-b / 2, b / 2, 81)
    bound = _bound(
        lambda x, y: np.mean([_edge(r - np.hypot(x + d, y), s) for d in shifts], axis=0), 110.0, 3.0
    )
    assert fast == pytest.approx(still)  # shorter than 2 sqrt(pi) s: it costs nothing
    assert long[0, 0] > 1.5 * still[0, 0]
    assert long[0, 0] == pytest.approx(bound[0, 0], rel=0.25)


def test_the_planned_course_keeps_momentum_and_its_derivatives(tmp_path: Path) -> None:
    truck = '[vehicles.truck]\nrole = "struck"\nmass = "9000 kg"\n[cameras.top]'
    motion = planned_motion(planned(tmp_path, ("[cameras.top]", truck)))
    time = np.arange(-0.1, 0.3, 1e-4)
    car, other = motion.state("car", time), motion.state("truck", time)
    moving = np.cumsum(other[:, 6] > 0) * 1e-4  # the parked truck's tyres take what they hold
    momentum = 1000 * car[:, 6] + 9000 * (other[:, 6] + PLANNED_MOTION.grip * moving)
    assert momentum == pytest.approx(10_000, rel=2e-3)
    assert car[time < -1e-4, 6] == pytest.approx(10.0)
    ends = int(np.searchsorted(time, motion.contact_lasts))
    assert 0 < other[ends, 6] - car[ends, 6] < 0.5  # they part slowly
    deceleration = (other[:, 12] - car[:, 12])[(time > 0) & (time < motion.contact_lasts)]
    assert deceleration.mean() == pytest.approx(PLANNED_MOTION.mean_pulse, rel=0.2)
    for state in (car, other):
        for column in range(6):
            rate = np.gradient(state[:, column], time)
            assert state[20:-20, column + 6] == pytest.approx(rate[20:-20], abs=0.06)


def test_a_planned_camera_looks_at_its_aim_upright(tmp_path: Path) -> None:
    cameras = stands(planned(tmp_path))
    for name, aim in (("top", (-2, 0, 0)), ("right", (-2, 0, -1))):
        assert cameras[name].camera.project(np.array([aim], float))[0] == pytest.approx(
            [639.5, 511.5]
        )
    middle, higher = cameras["right"].camera.project(np.array([[-2, 0, -1], [-2, 0, -2.0]]))
    assert higher[1] < middle[1]
    middle, ahead, right = cameras["top"].camera.project(
        np.array([[-2, 0, 0], [-1, 0, 0], [-2, 1.0, 0]])
    )
    assert ahead[0] > middle[0]
    assert right[1] > middle[1]


def test_without_an_aim_a_camera_looks_at_the_middle_of_its_fixed_targets(tmp_path: Path) -> None:
    stand = stands(planned(tmp_path, ('aim = ["-2 m", "0 m", "0 m"]\n', "")))["top"]
    middle = np.mean([t.at for t in stand.fixed], axis=0)
    assert stand.camera.project(middle[None])[0] == pytest.approx([639.5, 511.5])


def test_roof_marks_face_up_and_door_marks_to_their_side(tmp_path: Path) -> None:
    record = planned(tmp_path)
    markers = record.vehicles["car"].markers
    normals = outward_normals({n: np.array(m.at) for n, m in markers.items()})
    assert all(normals[n][2] == -1 for n in markers if n.startswith("roof"))
    assert all(normals[n][1] == 1 for n in markers if not n.startswith("roof"))
    assert set(outward_normals({"a": np.array([0, 0, -1.0])})["a"]) == {0.0, -1.0}


def test_a_mark_is_as_large_and_as_smeared_as_similar_triangles_say(tmp_path: Path) -> None:
    record = planned(tmp_path)
    motion, stand = planned_motion(record), stands(record)["top"]
    marks = {
        m.target.name: m for m in mark_views(stand, motion, np.array([-0.02]), AssumedPicture())
    }
    roof = marks["car.roof2"]
    distance = 12 - 1.4
    assert roof.size_px[0] == pytest.approx(1200 * 0.2 / distance, rel=1e-3)
    assert roof.blur[0] == pytest.approx([1200 * 10 * 1e-3 / distance, 0], abs=1e-2)
    assert roof.visible_mask[0]
    assert not marks["car.sill1"].visible_mask[0]


def test_a_mark_that_drives_out_of_the_picture_is_reported_when(tmp_path: Path) -> None:
    record = planned(tmp_path, ('speed = "10 m/s"', 'speed = "30 m/s"'))
    motion, stand = planned_motion(record), stands(record)["right"]
    times = np.arange(-0.05, 0.2001, 1e-3)
    for mark in mark_views(stand, motion, times, AssumedPicture()):
        inside = np.flatnonzero(mark.visible_mask)
        half = mark.size_px / 2
        u = mark.pixels[:, 0]
        fits = (u - half >= 0) & (u + half <= 1279)
        if mark.target.name.startswith("car.roof"):
            assert time_in_view(mark) == "never: turned away"
        elif fits.all():
            assert time_in_view(mark) == "throughout"
        else:
            reported = time_in_view(mark).split()[-2]
            last = times[fits][-1] if fits[0] else times[fits][0]
            assert float(reported.replace("−", "-")) == pytest.approx(1e3 * last, abs=1.0)
            assert len(inside) < len(times)


def test_a_mark_far_aside_is_not_folded_into_the_picture(tmp_path: Path) -> None:
    """With k1 = -0.3 a point 75 degrees off the line of sight is projected back to the middle."""
    folding = "[0.0, 0.0, 1.0]], distortion = [-0.3, 0.0, 0.0, 0.0, 0.0] }\n[cameras.top.survey]"
    record = planned(
        tmp_path,
        ("[0.0, 0.0, 1.0]] }\n[cameras.top.survey]", folding),
        ('at_contact = ["-2 m", "0 m", "0 m"]', 'at_contact = ["17.4 m", "0 m", "0 m"]'),
    )
    stand = stands(record)["top"]
    marks = mark_views(stand, planned_motion(record), np.array([-0.02]), AssumedPicture())
    assert not any(mark.visible_mask[0] for mark in marks)


def test_every_headline_number_gets_an_uncertainty(plan: Plan) -> None:
    reported = {n.key: n.quantity for n in numbers(plan.outlook)}
    assert {"car.impact_speed", "car.oiv_x", "car.ridedown_x", "car.max_rise"} <= set(reported)
    assert all(q.u > 0 for q in reported.values())
    assert reported["car.impact_speed"].value == pytest.approx(10, abs=0.05)


def test_a_better_layout_is_never_worse(plan: Plan) -> None:
    now = {n.key: n.quantity.u for n in numbers(plan.outlook)}
    assert set(plan.changes) == {MORE_SURVEY, EXPOSURE, MARKS}
    for change in (EXPOSURE, MARKS):
        for number in numbers(plan.changes[change]):
            assert number.quantity.u < 1.2 * now[number.key]  # which moment is extreme is chance
    larger = {n.key: n.quantity.u for n in numbers(plan.changes[MARKS])}
    # Speeds hang on errors that last; accelerations on those that change from frame to frame.
    assert larger["car.ridedown_x"] < 0.97 * now["car.ridedown_x"]
    for name, pose in plan.outlook.poses.items():
        after = plan.changes[MORE_SURVEY].poses[name].camera.covariance
        before = pose.camera.covariance
        assert np.trace(after[3:6, 3:6]) < np.trace(before[3:6, 3:6])


def test_twice_the_noise_doubles_the_uncertainty_of_speed(tmp_path: Path) -> None:
    """Where only the noise of marks counts: the survey exact, no floor, the same motion."""
    record = planned(
        tmp_path,
        ("[cameras.top]", '[survey]\nground_u = "0.1 mm"\nmarker_u = "0 mm"\n[cameras.top]'),
    )
    motion, cameras = planned_motion(record), stands(record)
    u = []
    for noise in (20.0, 40.0):
        picture = AssumedPicture(noise=noise, floor=0.0, drift=0.0)
        outlook = predict(record, cameras, motion, (-0.05, 0.2), picture)
        speed = outlook.vehicles["car"].impact_speed
        assert speed is not None
        u.append(speed.u)
    assert u[1] / u[0] == pytest.approx(2.0, rel=0.25)


def test_what_somebody_should_look_at_is_said(plan: Plan, tmp_path: Path) -> None:
    assert not any("at_contact" in line for line in points_to_check(plan))
    record = planned(
        tmp_path,
        ('at_contact = ["-2 m", "0 m", "0 m"]\n', ""),
        ('exposure = "1 ms"\nposition = ["-2 m", "12 m"', 'position = ["-2 m", "12 m"'),
    )
    reported = points_to_check(replace(plan, record=record, stands=stands(record)))
    assert any("at_contact is not given" in line for line in reported)
    assert any("right: no exposure" in line for line in reported)


def test_contact_is_at_x_zero_unless_said_otherwise(tmp_path: Path) -> None:
    record = planned(tmp_path, ('at_contact = ["-2 m", "0 m", "0 m"]\n', ""))
    motion: PlannedMotion = planned_motion(record)
    nose = np.array([[2.0, 0.0, 0.0]])  # from the cg
    assert motion.places("car", np.zeros(1), nose)[0, 0, 0] == pytest.approx(0, abs=1e-9)


def test_the_pages_hold_all_and_ask_nothing_of_the_outside(plan: Plan, tmp_path: Path) -> None:
    write_plan(plan, tmp_path / "plan")
    page = (tmp_path / "plan" / "plan.html").read_text(encoding="utf-8")
    assert (tmp_path / "plan" / "plan.pdf").read_bytes().startswith(b"%PDF")
    for text in ("car: impact speed", "car.door1", "survey.b3", MARKS, "What was assumed"):
        assert text in page
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert 'src="data:' in page


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('speed = "10 m/s"\n', ""), "the plan needs the speed"),
        (('position = ["-2 m", "12 m", "-1.5 m"]\n', ""), "the plan needs position"),
        (('pattern = "disc", size = "0.3 m"', 'pattern = "disc"'), "needs the size of this mark"),
    ],
)
def test_what_a_plan_lacks_is_one_sentence(
    tmp_path: Path, change: tuple[str, str], says: str
) -> None:
    planned(tmp_path, change)
    run = CliRunner().invoke(main, ["plan", str(tmp_path / "record.toml")])
    assert run.exit_code == 2
    assert says in run.output
    assert not (tmp_path / "plan").exists()


def test_a_survey_out_of_the_picture_is_a_problem_that_names_it(tmp_path: Path) -> None:
    record = planned(tmp_path, ('aim = ["-2 m", "0 m", "0 m"]', 'aim = ["6 m", "0 m", "0 m"]'))
    with pytest.raises(Problem, match="not in the picture or too small"):
        make_plan(record)


def test_the_record_of_a_made_test_is_a_plan_too(tmp_path: Path) -> None:
    """Pixels and films may be there: the camera then looks where its picks say."""
    cameras = stands(planned(tmp_path))
    changes = []
    for target in cameras["top"].fixed:
        u, v = np.round(cameras["top"].camera.project(target.at[None])[0], 1)
        name = target.name.split(".")[1]
        changes.append((f"{name} = {{ at", f"{name} = {{ pixel = [{u}, {v}], at"))
    changes += [('aim = ["-2 m", "0 m", "0 m"]', 'film = "top.mp4"')]
    found = stands(planned(tmp_path, *changes))["top"]
    assert found.camera.rotation == pytest.approx(cameras["top"].camera.rotation, abs=2e-3)
    assert load_planned(tmp_path).cameras["top"].film == "top.mp4"


def test_a_command_takes_the_folder_of_a_test_as_its_record(tmp_path) -> None:
    run = CliRunner().invoke(main, ["analyse", str(tmp_path)])
    assert run.exit_code == 2
    assert "record.toml" in run.output
    assert "is a directory" not in run.output


def test_the_cushion_stands_between_the_vehicles_at_first_contact(tmp_path: Path) -> None:
    truck = """[vehicles.truck]
role = "struck"
mass = "9000 kg"
cg = ["-3 m", "0 m", "-1 m"]
[vehicles.truck.markers]
rear1 = { at = ["-5 m", "0.5 m", "-1 m"], pattern = "quadrant", size = "0.2 m" }
[cushion]
length = "3.7 m"
[cameras.top]
"""
    record = planned(
        tmp_path, ("[cameras.top]\n", truck), ('at_contact = ["-2 m", "0 m", "0 m"]\n', "")
    )
    motion, zero = planned_motion(record), np.zeros(1)
    nose = motion.places("car", zero, np.array([[2.0, 0.0, 0.0]]))[0, 0, 0]
    rear = motion.places("truck", zero, np.array([[-2.0, 0.5, 0.0]]))[0, 0, 0]
    assert rear - nose == pytest.approx(3.7, abs=1e-6)
