"""Marks are found without picks where pattern and surveyed layout allow it, and not otherwise.

Pictures are rendered by area sampling (`rendered`, `smallscene`), their truth known in closed form.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from calibration.camera import Camera, Lens
from tests.support import small_scene
from tests.support.rendered_film import film_of, finished, ground, paint
from tracker.camera.expected_targets import expected_marks
from tracker.camera.lens_source import lens_of
from tracker.camera.pose import camera_by_bars
from tracker.detection import DetectionResult, detect_marks
from tracker.detection.pattern_response import best_response_near, pattern_response
from tracker.detection.vehicle import OtherMarks, locate_vehicle
from tracker.detection.verify import SurveyedMark
from tracker.detection.visibility import visible_mask
from tracker.marks import Picture
from tracker.record.camera import Pick, ScaleBar
from tracker.record.load import load_record
from tracker.record.schema import Record

TRUE = {f"car.{name}": np.array(small_scene.marker(name, 0)) for name in small_scene.CAR}


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Record:
    """The small test with the picks of its fixed targets only."""
    folder = tmp_path_factory.mktemp("small")
    text = small_scene.record_text()
    before, rest = text.split("[cameras.above.picks]")
    after = rest[rest.index("[cameras.above.time]") :]
    (folder / "above.mp4").write_bytes(b"never read")
    (folder / "record.toml").write_text(before + after, encoding="utf-8")
    return load_record(folder / "record.toml")


@pytest.fixture(scope="module")
def plain(record: Record) -> DetectionResult:
    """What is found in the small test as it is."""
    return found(record, lambda _: small_scene.picture(0))


def found(record: Record, picture: Callable[[int], np.ndarray], **picks: object) -> DetectionResult:
    """What is found in a film; `picks` change the camera's entry."""
    camera = record.cameras["above"].model_copy(update=picks)
    record = record.model_copy(update={"cameras": {"above": camera}})
    lens, _ = lens_of(record, "above", small_scene.SIZE)
    marks = expected_marks(record, "above", small_scene.SIZE, lens)
    by_bars = camera_by_bars(record, "above", small_scene.SIZE, lens)
    return detect_marks(record, "above", film_of(picture, 3), lens, marks, by_bars)


def picks_of(*names: str, off: float) -> dict[str, Pick]:
    """Picks of marks of the car in frame 0, `off` px beside them both ways."""
    return {
        name: Pick.model_construct(pixel=tuple((TRUE[name] + off).tolist()), frame=0)
        for name in names
    }


def vehicle_places(marks: DetectionResult) -> dict[str, np.ndarray]:
    return {m.name: np.array(m.pixel) for m in marks.marks if m.name.startswith("car.")}


def covered(*names: str) -> Callable[[int], np.ndarray]:
    """The small test with marks of the car painted over."""

    def picture(frame: int) -> np.ndarray:
        grey = small_scene.picture(0)
        for name in names:
            u, v = (round(x) for x in small_scene.marker(name, 0))
            grey[v - 10 : v + 11, u - 10 : u + 11] = 95
        return grey

    return picture


def test_a_vehicle_without_picks_is_found_with_each_mark_under_its_own_name(
    plain: DetectionResult,
) -> None:
    # all marks and fixed targets are alike, and the layout is nearly the same turned by 180 deg
    places = vehicle_places(plain)

    assert set(places) == set(TRUE)
    for name, place in places.items():
        assert np.hypot(*(place - TRUE[name])) < 0.15


def test_what_was_found_by_itself_is_said(plain: DetectionResult) -> None:
    assert [w.code for w in plain.warnings] == ["markers_found"]
    assert "5 markers of car were found automatically in frame 0" in plain.warnings[0].text


def test_covered_marks_are_not_made_up(record: Record) -> None:
    places = vehicle_places(found(record, covered("roof2")))

    assert set(places) == set(TRUE) - {"car.roof2"}


def test_two_marks_are_too_few_to_guess_a_vehicle_from(record: Record) -> None:
    few = found(record, covered("roof1", "roof2", "roof5"))

    assert vehicle_places(few) == {}
    assert [w.code for w in few.warnings] == ["markers_not_found"]


def test_fixed_targets_and_other_scenery_are_not_taken_for_a_vehicle(record: Record) -> None:
    rng = np.random.default_rng(3)
    soil = ground(small_scene.SIZE)
    for x, y in small_scene.FIXED.values():
        centre = np.array(small_scene.pixel(x, y))
        paint(soil, "quadrant", centre, small_scene.TARGET * small_scene.FOCAL / 10.0, 0.2)
    for centre in rng.uniform((60, 80), (420, 240), (7, 2)):
        paint(soil, "quadrant", centre, 14.2, rng.uniform(0, 3))
    empty = finished(soil, 0, noise=1.0)

    assert vehicle_places(found(record, lambda _: empty)) == {}


def test_look_alikes_among_the_marks_are_left_alone(record: Record) -> None:
    picture = small_scene.picture(0).astype(float)
    rng = np.random.default_rng(4)
    for centre in rng.uniform((250, 60), (430, 260), (8, 2)):
        paint(picture, "quadrant", centre, 14.2, rng.uniform(0, 3))
    busy = picture.astype(np.uint8)

    places = vehicle_places(found(record, lambda _: busy))

    assert set(places) == set(TRUE)
    assert all(np.hypot(*(place - TRUE[name])) < 0.15 for name, place in places.items())


def test_the_marks_that_are_picked_lead_to_the_others(record: Record) -> None:
    some = picks_of("car.roof1", "car.roof2", "car.roof4", off=1.5)
    places = vehicle_places(found(record, lambda _: small_scene.picture(0), picks=some))

    assert set(places) == set(TRUE)
    for name in ("car.roof3", "car.roof5"):
        assert np.hypot(*(places[name] - TRUE[name])) < 0.15


def test_good_picks_are_kept_as_they_are(record: Record) -> None:
    marks = found(record, lambda _: small_scene.picture(0), picks=picks_of(*TRUE, off=1.0))

    assert marks.warnings == ()
    for name, place in vehicle_places(marks).items():
        assert place == pytest.approx(TRUE[name] + 1.0)


@pytest.mark.parametrize("kept", [1.0, 0.0], ids=["far off", "all in the corner"])
def test_fixed_targets_are_found_far_from_their_picks(record: Record, kept: float) -> None:
    count = len(small_scene.FIXED)
    off = np.random.default_rng(5).uniform((17, -38), (53, -2), (count, 2))
    survey = {
        name: target.model_copy(update={"pixel": tuple(kept * (np.array(target.pixel) + away))})
        for (name, target), away in zip(record.cameras["above"].survey.items(), off, strict=True)
    }
    marks = found(record, lambda _: small_scene.picture(0), survey=survey)

    places = {m.name: np.array(m.pixel) for m in marks.marks}
    for name, at in small_scene.FIXED.items():
        assert np.hypot(*(places[f"survey.{name}"] - small_scene.pixel(*at))) < 0.5
    assert set(vehicle_places(marks)) == set(TRUE)
    assert marks.warnings[0].code == "targets_found"


def unpicked(record: Record, but: int = 0) -> dict[str, object]:
    """The fixed targets without picks, all but the first few."""
    return {
        name: target if i < but else target.model_copy(update={"pixel": None})
        for i, (name, target) in enumerate(record.cameras["above"].survey.items())
    }


def targets_found(marks: DetectionResult) -> dict[str, float]:
    """By how much each fixed target was missed, px."""
    return {
        m.name: float(
            np.hypot(*np.subtract(m.pixel, small_scene.pixel(*small_scene.FIXED[m.name[7:]])))
        )
        for m in marks.marks
        if m.name.startswith("survey.")
    }


@pytest.mark.parametrize("picked", [0, 2])
def test_fixed_targets_without_picks_are_found_by_their_layout(record: Record, picked: int) -> None:
    marks = found(record, lambda _: small_scene.picture(0), survey=unpicked(record, picked))

    assert len(targets_found(marks)) == len(small_scene.FIXED)
    assert max(targets_found(marks).values()) < 0.5
    assert set(vehicle_places(marks)) == set(TRUE)
    assert [w.code for w in marks.warnings] == ["targets_found", "markers_found"]


def test_fixed_targets_are_found_without_a_lens_from_the_rough_position(record: Record) -> None:
    rough = (0.6, -0.5, -10.8)  # the camera is at (0, 0, -10)
    marks = found(
        record,
        lambda _: small_scene.picture(0),
        survey=unpicked(record),
        lens=None,
        position=rough,
    )

    assert max(targets_found(marks).values()) < 0.5
    assert set(vehicle_places(marks)) == set(TRUE)


def test_fixed_targets_are_found_in_a_later_frame_if_the_first_shows_nothing(
    record: Record,
) -> None:
    def picture(frame: int) -> np.ndarray:
        return small_scene.picture(0) if frame else np.full((320, 480), 12, np.uint8)

    marks = found(record, picture, survey=unpicked(record))

    assert max(targets_found(marks).values()) < 0.5
    assert {m.frame for m in marks.marks} == {1}


def test_a_layout_that_fits_two_ways_is_not_guessed(record: Record) -> None:
    # four targets of a rectangle look the same from the other side
    corners = {"g1": (-5.4, -3.3), "g2": (5.4, -3.3), "g3": (5.4, 3.3), "g4": (-5.4, 3.3)}
    soil = ground(small_scene.SIZE)
    for x, y in corners.values():
        at, size = np.array(small_scene.pixel(x, y)), small_scene.TARGET * small_scene.FOCAL / 10.0
        paint(soil, "quadrant", at, size, 0.2)
    survey = {
        name: target.model_copy(update={"pixel": None, "at": (*corners[name], 0.0)})
        for name, target in record.cameras["above"].survey.items()
        if name in corners
    }
    luma = finished(soil, 0, noise=1.0)
    marks = found(record, lambda _: luma, survey=survey)

    assert targets_found(marks) == {}
    assert marks.warnings[0].code == "targets_not_found"


def test_a_camera_with_scale_bars_only_finds_a_vehicle_too(record: Record) -> None:
    # a bar of 2 m lies 1.4 m above the ground, as high as the marks
    ends = tuple(small_scene.pixel(x, 3.0, small_scene.ROOF) for x in (-1.0, 1.0))
    bar = ScaleBar.model_construct(
        pixels=ends, frame=0, length=2.0, along="x", depth=8.6, on=None, plane=-small_scene.ROOF
    )
    marks = found(record, lambda _: small_scene.picture(0), survey={}, scale=(bar,))

    places = vehicle_places(marks)
    assert set(places) == set(TRUE)


# One vehicle in one picture


LENS = Lens(np.array([[400.0, 0, 239.5], [0, 400.0, 159.5], [0, 0, 1]]), np.zeros(5), (480, 320))
ABOVE = Camera(LENS, np.eye(3), np.array([0.0, 0.0, -10.0]))
BESIDE = Camera(LENS, np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]), np.array([0.0, 12.0, -1.0]))
NOTHING = OtherMarks(np.empty((0, 2)), np.empty(0))


def shown(camera: Camera, targets: list[SurveyedMark], origin: np.ndarray, yaw: float) -> Picture:
    """A picture of a level vehicle's marks."""
    c, s = np.cos(yaw), np.sin(yaw)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    picture = ground((480, 320), seed=2)
    for t in targets:
        at = (turn @ t.at + origin)[None]
        size = 400.0 * t.size / camera.in_camera_axes(at)[0, 2]
        paint(picture, t.pattern, camera.project(at)[0], size, yaw)
    return Picture(finished(picture, 0, noise=2.0), 255.0)


ROOF = [
    SurveyedMark("a", np.array([1.0, -0.5, -1.3]), "quadrant", 0.4),
    SurveyedMark("b", np.array([1.1, 0.6, -1.2]), "disc", 0.35),
    SurveyedMark("c", np.array([-0.9, 0.5, -1.4]), "quadrant", 0.4),
    SurveyedMark("d", np.array([-0.2, -0.6, -1.4]), "quadrant", 0.4),
]
SIDE = [
    SurveyedMark("a", np.array([1.2, 0.8, -0.6]), "quadrant", 0.4),
    SurveyedMark("b", np.array([0.2, 0.8, -0.9]), "quadrant", 0.4),
    SurveyedMark("c", np.array([-1.0, 0.8, -0.5]), "disc", 0.4),
    SurveyedMark("d", np.array([-1.6, 0.8, -0.9]), "quadrant", 0.4),
]


@pytest.mark.parametrize("yaw", np.radians([0.0, 35.0, 110.0, -160.0]))
def test_from_above_a_vehicle_is_found_whichever_way_it_faces(yaw: float) -> None:
    origin = np.array([-0.8, 0.4, 0.0])
    placed = locate_vehicle(shown(ABOVE, ROOF, origin, yaw), ABOVE, 0.0, ROOF, NOTHING)

    assert placed is not None
    assert len(placed.pixels) == 4
    assert np.cos(placed.pose[5] - yaw) == pytest.approx(1.0, abs=1e-3)
    assert placed.pose[:2] == pytest.approx(origin[:2], abs=0.05)


@pytest.mark.parametrize("yaw", np.radians([0.0, 8.0]))
def test_from_the_side_a_vehicle_is_found_off_its_planned_path(yaw: float) -> None:
    origin = np.array([-0.8, 0.5, 0.0])
    placed = locate_vehicle(shown(BESIDE, SIDE, origin, yaw), BESIDE, 0.0, SIDE, NOTHING)

    assert placed is not None
    assert len(placed.pixels) == 4


def test_marks_of_the_wrong_pattern_are_no_vehicle() -> None:
    picture = shown(ABOVE, ROOF, np.array([-0.8, 0.4, 0.0]), 0.3)
    other = [replace(t, pattern="disc") for t in ROOF]

    assert locate_vehicle(picture, ABOVE, 0.0, other, NOTHING) is None


# What the filters and the hull say


@pytest.mark.parametrize("turn", [0.0, 0.3, 0.9, 1.4])
def test_the_response_to_sectors_does_not_depend_on_their_turn(turn: float) -> None:
    picture = np.full((60, 60), 90.0)
    paint(picture, "quadrant", np.array([30.3, 29.6]), 16.0, turn)
    grey = finished(picture, 0, noise=1.0)

    assert best_response_near(
        Picture(grey, 255.0), "sectors", 16.0, np.array([30.0, 30.0]), 4.0
    ) == pytest.approx(0.93, abs=0.04)


def test_the_response_does_not_depend_on_light_and_contrast() -> None:
    grey = small_scene.picture(0).astype(np.uint16)
    one = pattern_response(Picture(grey * 40, 65535.0), "sectors", 14.0)
    other = pattern_response(Picture(grey * 80 + 5000, 65535.0), "sectors", 14.0)
    strong = one.score > 0.8

    assert strong.any()
    assert other.score[strong] == pytest.approx(one.score[strong], abs=0.01)


def test_an_edge_looks_like_no_pattern() -> None:
    picture = np.full((80, 80), 40.0)
    picture[:, 40:] = 200.0
    edge = finished(picture, 0, noise=1.0)

    for family in ("sectors", "cross", "ring"):
        assert (
            pattern_response(Picture(edge, 255.0), family, 14.0).score[10:-10, 10:-10].max() < 0.45
        )


def test_the_far_side_of_a_box_is_hidden_whichever_way_it_is_turned() -> None:
    corners = np.array([[x, y, z] for x in (-2, 2) for y in (-0.8, 0.8) for z in (-1.4, 0)], float)
    middles = np.array([[0.5, 0.8, -0.7], [0.5, -0.8, -0.7], [0.0, 0.1, -1.4]])
    box = np.concatenate([corners, middles])
    turn = np.linalg.qr(np.random.default_rng(6).normal(size=(3, 3)))[0]
    for frame in (np.eye(3), turn):
        to_right = np.broadcast_to(frame @ [0.0, 1.0, 0.0], box.shape)
        seen = visible_mask(box @ frame.T, to_right)
        assert seen[8:].tolist() == [True, False, False]
        assert seen[:8].tolist() == [bool(y > 0) for _, y, _ in corners]


def test_a_flat_layout_hides_nothing() -> None:
    flat = np.array([[0, 0, -1], [1, 0, -1], [0, 1, -1], [1, 1, -1], [0.4, 0.4, -1]], float)

    assert visible_mask(flat, np.broadcast_to([0.0, 0.0, 1.0], flat.shape)).all()
