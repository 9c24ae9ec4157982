"""Marks out of sight for hundreds or thousands of frames are taken up again under their own names.

Films are rendered by area sampling with the truth beside (`hidden_for_long`): no published source.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from calibration.camera import Lens
from tests.support.drawn_bodies import Spot, body_of, drawn_film, drawn_record, pixel_of
from tests.support.drawn_bodies import opening_of as opening_of_cameras
from tests.support.hidden_for_long import (
    AFTER,
    BEFORE,
    Rest,
    film_of_a_spin,
    opening_of,
    places,
    pose,
    spin_record,
)
from tests.support.motion_case import CG, camera_at
from tests.support.rendered_film import film_of, finished, ground, paint
from tracker.camera.seen_again import marks_seen_again
from tracker.camera.stage import CalibratedFilm, calibrate_camera
from tracker.core.types import Mark, silent
from tracker.pipeline.analyse import analyse
from tracker.tracking import track_marks

REST = Rest(1.6, 0.5, 2.6)


def calibrated(
    folder: Path,
    hidden: int,
    rest: Rest = REST,
    unseen: tuple[str, ...] = (),
    but: tuple[str, ...] = (),
    after: int = AFTER,
) -> CalibratedFilm:
    film = film_of_a_spin(hidden, rest, unseen, after)
    record = spin_record(folder, hidden, rest, but)
    return calibrate_camera(record, "above", silent, opening=opening_of(film))


def errors(seen: CalibratedFilm, hidden: int, rest: Rest = REST) -> np.ndarray:
    """Distance (frames, marks of the car) from the truth, px; NaN where nothing was measured."""
    tracks = seen.followed.tracks
    own = [i for i, mark in enumerate(tracks.marks) if mark.vehicle == "car"]
    frames = range(len(tracks.position))
    truth = [[places(f, hidden, rest)[tracks.marks[i]] for i in own] for f in frames]
    return np.asarray(np.hypot(*np.moveaxis(tracks.position[:, own] - truth, -1, 0)))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("hidden", "rest"),
    [(320, REST), pytest.param(2000, Rest(1.6, 0.5, -1.3), marks=pytest.mark.slow)],
    ids=["hundreds of frames", "thousands of frames"],
)
def test_a_car_that_spun_behind_smoke_is_taken_up_again(
    tmp_path: Path, hidden: int, rest: Rest
) -> None:
    seen = calibrated(tmp_path, hidden, rest)
    off = errors(seen, hidden, rest)
    assert np.isfinite(off[:BEFORE]).all()
    assert not np.isfinite(off[BEFORE : BEFORE + hidden]).any()
    assert np.isfinite(off[BEFORE + hidden :]).all()
    assert np.nanmax(off) < 0.15
    assert [w.code for w in seen.warnings] == ["marks_seen_again"]


def test_a_mark_that_stays_covered_is_not_made_up(tmp_path: Path) -> None:
    seen = calibrated(tmp_path, 320, unseen=("car.roof2",))
    measured = dict(
        zip(seen.followed.tracks.marks, seen.followed.tracks.measured_mask.T, strict=True)
    )
    assert not measured["car.roof2"][BEFORE:].any()
    for name in ("roof1", "roof3", "roof4", "roof5"):
        assert measured[f"car.{name}"][BEFORE + 320 :].all()


def test_a_car_that_stays_out_of_sight_is_offered_for_a_pick(tmp_path: Path) -> None:
    seen = calibrated(tmp_path, 320, after=0)
    assert [w.code for w in seen.warnings] == ["vehicle_out_of_sight"]
    assert f"no mark of car is seen after frame {BEFORE - 1} of {BEFORE + 320}" in (
        seen.warnings[0].text
    )
    assert seen.warnings[0].where == "cameras.above.picks"


def test_a_layout_that_looks_the_same_both_ways_is_not_guessed(tmp_path: Path) -> None:
    """Four marks in a rectangle: turned by 180 degrees they fit as well."""
    seen = calibrated(tmp_path, 320, unseen=("car.roof5",), but=("car.roof5",))
    assert not np.isfinite(errors(seen, 320)[BEFORE:]).any()
    assert [w.code for w in seen.warnings] == ["vehicle_out_of_sight"]


def test_a_mark_that_flew_off_is_not_taken_for_another_that_stands_where_it_was(
    tmp_path: Path,
) -> None:
    """What is lost while it moves may be anywhere: a target uncovered later is not it."""
    back = ground((320, 240))

    def picture(frame: int) -> np.ndarray:
        grey = back.copy()
        place = np.array([90.0, 80.0]) + np.array([1.5, 0.4]) * max(frame - 10, 0)
        if frame < 30:
            paint(grey, "quadrant", place, 16.0, 0.2)
        if frame >= 380:
            paint(grey, "quadrant", np.array([128.0, 90.0]), 16.0, 0.2)
        return finished(grey, frame)

    film = film_of(picture, 420)
    marks = [Mark("article.p1", "quadrant", (91.0, 81.0), 0, 16.0)]  # type: ignore[arg-type]
    followed = track_marks(film, "side", marks)
    camera = calibrated(tmp_path, 320, after=0).pose.camera
    record = spin_record(tmp_path, 320, REST)

    assert marks_seen_again(record, "side", film, marks, followed, camera).is_empty


def test_a_mark_of_the_article_is_found_near_where_it_was(tmp_path: Path) -> None:
    """Two posts behind smoke for 400 frames; one was pushed by 0.3 of their distance."""
    back = ground((320, 240))
    start = {"article.p1": np.array([90.0, 80.0]), "article.p2": np.array([180.0, 80.0])}
    pushed = {"article.p1": np.zeros(2), "article.p2": np.array([3.0, 27.0])}

    def picture(frame: int) -> np.ndarray:
        grey = back.copy()
        if 20 <= frame < 420:
            grey[40:160] = 150.0 + 0.4 * back[40:160]
        else:
            for name, place in start.items():
                paint(grey, "quadrant", place + pushed[name] * (frame >= 420), 16.0, 0.2)
        return finished(grey, frame)

    film = film_of(picture, 460)
    marks = [Mark(n, "quadrant", tuple(p + 1), 0, 16.0) for n, p in start.items()]  # type: ignore[arg-type]
    followed = track_marks(film, "side", marks)
    record = spin_record(tmp_path, 320, REST)
    camera = calibrated(tmp_path, 320, after=0).pose.camera
    again = marks_seen_again(record, "side", film, marks, followed, camera)
    found = track_marks(film, "side", again.added_to(marks)).tracks
    assert found.measured_mask[420:].all()
    for i, name in enumerate(found.marks):
        off = found.position[420:, i] - start[name] - pushed[name]
        assert np.abs(off).max() < 0.2


LEFT = {
    f"left{i}": Spot((x, -0.86, z), "y")
    for i, (x, z) in enumerate([(1.3, -0.6), (0.4, -1.05), (-0.6, -0.7), (-1.5, -1.0)])
}
RIGHT = {
    f"right{i}": Spot((x, 0.86, z), "y")
    for i, (x, z) in enumerate([(1.5, -1.0), (0.7, -0.6), (-0.2, -1.1), (-1.2, -0.65)])
}


@pytest.mark.slow
def test_a_car_that_turned_its_other_side_to_the_camera_is_taken_up_by_that(tmp_path: Path) -> None:
    """It spins by 175 degrees within 0.4 s; of its right side nothing is picked."""
    frames = np.arange(460)
    states = np.zeros((len(frames), 15))
    spun = np.clip((frames - 40) / 200, 0.0, 1.0)
    states[:, 0] = -1.8 + 0.01 * np.minimum(frames, 40) + 2.0 * spun * (2.0 - spun)
    states[:, 2], states[:, 5] = CG[2], np.radians(175) * spun * spun * (3.0 - 2.0 * spun)
    body = {"car": body_of(states, CG, LEFT | RIGHT)}
    pose = camera_at((0.0, -9.0, -1.2), (0.0, 0.0, -0.6))
    matrix = np.array([[560.0, 0.0, 319.5], [0.0, 560.0, 199.5], [0.0, 0.0, 1.0]])
    camera = replace(pose, lens=Lens(matrix, np.zeros(5), (640, 400)))
    picked = tuple(f"car.{mark}" for mark in LEFT)
    tables = '[vehicles.car]\nrole = "striking"\ncg = ["0 m", "0 m", "-0.56 m"]'
    record = drawn_record(tmp_path, tables, {"side": (camera, picked)}, body, 500.0, 40)
    film = drawn_film(camera, body, tuple(f"car.{mark}" for mark in LEFT | RIGHT))

    seen = calibrate_camera(record, "side", silent, opening=opening_of_cameras({"side": film}))

    tracks = seen.followed.tracks
    measured = dict(zip(tracks.marks, tracks.measured_mask.T, strict=True))
    for mark in RIGHT:
        assert measured[f"car.{mark}"][-250:].all()
        assert not measured[f"car.{mark}"][:120].any()  # turned away by more than 90 degrees
    for mark in LEFT:
        assert not measured[f"car.{mark}"][150:].any()
    for i, mark in enumerate(tracks.marks):
        if mark.vehicle == "car":
            true = np.array([pixel_of(camera, body, mark, f) for f in frames])
            assert np.nanmax(np.hypot(*(tracks.position[:, i] - true).T)) < 0.3
    assert "marks_seen_again" in {w.code for w in seen.warnings}


@pytest.mark.slow
def test_an_analysis_goes_on_to_the_rest_and_leaves_empty_what_nobody_saw(tmp_path: Path) -> None:
    hidden = 320
    film = film_of_a_spin(hidden, REST)
    record = spin_record(tmp_path, hidden, REST)
    results = analyse(record, calibrate=partial(calibrate_camera, opening=opening_of(film)))
    motion, codes = results.motion["car"], {w.code for w in results.warnings}
    assert {"marks_seen_again", "vehicle_unseen_between"} <= codes
    unseen = slice(BEFORE + 2, BEFORE + hidden - 2)
    assert not motion.observed_mask[unseen].any()
    assert motion.observed_mask[-1, [0, 1, 5]].all()
    x, y, yaw = pose(film.frames - 1, hidden, REST)
    off = motion.state[-1, [0, 1, 5]] - [x, y, yaw]
    assert np.all(np.abs(off) < 3 * motion.u[-1, [0, 1, 5]])
    assert results.vehicles["car"].rest
