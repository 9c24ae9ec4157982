"""The demonstration folder is a complete test record with its truth beside it."""

import re
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from calibration.errors import Problem
from tracker.demo import DemoTruth, Scenario, load_truth, write_demo
from tracker.demo.scene import rotation
from tracker.demo.write import write_movie
from tracker.record.load import Record, load_record

SCENARIO = Scenario.quick(before=0.012, after=0.028)


@pytest.fixture(scope="module")
def reported() -> list[tuple[str, int, int]]:
    return []


@pytest.fixture(scope="module")
def truth(tmp_path_factory: pytest.TempPathFactory, reported: list) -> DemoTruth:
    folder = tmp_path_factory.mktemp("demo")
    return write_demo(folder, lambda *step: reported.append(step), scenario=SCENARIO)


@pytest.fixture(scope="module")
def record(truth: DemoTruth) -> Record:
    return load_record(truth.record)


def test_the_record_names_everything_that_was_written(record: Record) -> None:
    assert set(record.cameras) == {"overhead", "side"}
    assert record.vehicles["car"].mass == pytest.approx(1093.0)
    for name in ("overhead.mp4", "side.mp4", "car-accelerometer.csv"):
        assert (record.folder / name).is_file()
    for camera in record.cameras.values():
        assert camera.time.zero == "flash"
        assert len(camera.survey) >= 8
        assert len(camera.picks) >= 8


@pytest.mark.parametrize("camera", ["overhead", "side"])
def test_the_film_has_every_frame_at_its_time(truth: DemoTruth, camera: str) -> None:
    with av.open(str(truth.folder / f"{camera}.mp4")) as film:
        stamps = [float(f.pts * f.time_base) for f in film.decode(video=0)]
    assert len(stamps) == SCENARIO.frames
    assert np.diff(stamps) == pytest.approx(1 / SCENARIO.frame_rate, abs=1e-6)


@pytest.mark.parametrize("camera", ["overhead", "side"])
def test_true_tracks_are_the_projection_of_the_true_motion(
    truth: DemoTruth, record: Record, camera: str
) -> None:
    """OpenCV's projectPoints on the written motion; markers as surveyed are 1 mm off."""
    place = truth.values["cameras"][camera]
    turn = np.array(place["rotation"])
    shift = -turn @ np.array(place["position"])
    names, pixels, visible = truth.tracks(camera)
    assert visible.mean() > 0.7
    time, car = truth.motion("car")
    overhead = camera == "overhead"
    for name in ("roof1", "roof3", "bonnet1") if overhead else ("door1", "door2", "fender1"):
        arm = np.array(record.vehicles["car"].markers[name].at) - record.vehicles["car"].cg
        points = np.array([s[:3] + rotation(s[3:6]) @ arm for s in car])
        matrix, lens = np.array(place["camera_matrix"]), np.array(place["distortion"])
        expected, _ = cv2.projectPoints(points, cv2.Rodrigues(turn)[0], shift, matrix, lens)
        off = expected[:, 0, :] - pixels[:, names.index(f"car.{name}")]
        if not overhead:  # the two cameras are not in step: the motion is at the first one's times
            late = truth.value("cameras.overhead.time_zero_frame") - truth.value(
                "cameras.side.time_zero_frame"
            )
            speed = np.gradient(pixels[:, names.index(f"car.{name}")], axis=0)
            off = off + speed * late
        assert np.abs(off[1:-1]).max() < 0.35  # 4 mm at 50 px/m, and what is not linear
    assert time[0] == pytest.approx(-truth.value("cameras.overhead.time_zero_frame") / 500.0)


def test_the_survey_is_as_good_as_the_record_says(truth: DemoTruth, record: Record) -> None:
    """Surveyed targets, projected with the true camera, are millimetres from the true tracks."""
    place = truth.values["cameras"]["overhead"]
    turn = np.array(place["rotation"])
    names, pixels, _ = truth.tracks("overhead")
    survey = record.cameras["overhead"].survey
    points = np.array([t.at for t in survey.values()])
    seen, _ = cv2.projectPoints(
        points,
        cv2.Rodrigues(turn)[0],
        -turn @ np.array(place["position"]),
        np.array(place["camera_matrix"]),
        np.array(place["distortion"]),
    )
    true = np.array([pixels[0, names.index(f"survey.{n}")] for n in survey])
    sd = (seen[:, 0] - true).std() / (576.0 / 12.94)  # m on the ground
    assert 0.001 < sd < 0.0035


@pytest.mark.parametrize("camera", ["overhead", "side"])
def test_picks_are_rough_but_near(truth: DemoTruth, record: Record, camera: str) -> None:
    names, pixels, visible = truth.tracks(camera)
    entry = record.cameras[camera]
    picks = {**entry.picks, **{f"survey.{n}": t for n, t in entry.survey.items()}}
    off = []
    for name, pick in picks.items():
        k = names.index(name)
        assert visible[pick.frame, k]
        off.append(np.subtract(pick.pixel, pixels[pick.frame, k]))
    assert np.abs(off).max() <= SCENARIO.pick_error + 0.51
    assert np.abs(off).mean() > 0.5


def test_progress_tells_of_every_frame_of_both_films(truth: DemoTruth, reported: list) -> None:
    for stage in ("drawing overhead", "drawing side"):
        assert [done for s, done, _ in reported if s == stage] == list(
            range(1, SCENARIO.frames + 1)
        )


def test_the_truth_can_be_read_again(truth: DemoTruth) -> None:
    again = load_truth(truth.folder)
    assert again.value("vehicles.car.impact_speed") == pytest.approx(SCENARIO.speed)
    assert again.headline["car.impact_speed"] == pytest.approx(SCENARIO.speed)
    assert again.values == truth.values


def test_a_folder_without_truth_is_said_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(Problem, match=r"truth\.json") as problem:
        load_truth(tmp_path)
    assert problem.value.status == 2


@pytest.mark.slow
def test_the_record_can_leave_lens_and_flash_out(tmp_path: Path) -> None:
    bare = Scenario.quick(before=0.004, after=0.008, flash=False, lens_in_record=False)
    record = load_record(write_demo(tmp_path, scenario=bare, seed=3).record)
    for camera in record.cameras.values():
        assert camera.lens is None
        assert camera.time.zero == "contact"


def test_a_movie_keeps_grey_values(tmp_path: Path) -> None:
    """Luma comes back as it went in, to the coder's loss; the full range is kept."""
    ramp = np.tile(np.linspace(0, 255, 256).astype(np.uint8), (64, 1))
    write_movie(tmp_path / "ramp.mp4", [ramp] * 3, 1000.0, crf=10)
    with av.open(str(tmp_path / "ramp.mp4")) as film:
        luma = [f.to_ndarray()[:64].astype(float) for f in film.decode(video=0)]
    assert len(luma) == 3
    assert np.abs(luma[1] - ramp).max() < 4


def test_nothing_real_is_named_in_the_record(truth: DemoTruth) -> None:
    text = truth.record.read_text(encoding="utf-8")
    assert "invented" in text
    assert not re.search(r"https?://|@", text)
