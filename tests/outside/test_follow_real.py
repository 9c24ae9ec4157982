"""Following on real films, against what is known of them.

Sources: the SOURCE.md beside each data set. dot-plate: Debian package visp-images-data 3.5.0-1
(GPL-2). ball-30000fps: repository ladisk/pyMRAW (MIT). projectile-120fps: repository BMClab/BMC
(CC BY 4.0). crash-film-early: US government vehicle crash test database (public domain).
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from tracker.core.types import Mark, Status
from tracker.film import Film, open_film
from tracker.tracking import TrackingResult, track_marks

Real = Callable[[str], Path]


def crossing(a: np.ndarray, b: np.ndarray, c: np.ndarray, d: np.ndarray) -> np.ndarray:
    """Where the line from a to b meets the line from c to d."""
    along, _ = np.linalg.solve(np.array([b - a, c - d]).T, c - a)
    return np.asarray(a + along * (b - a))


def test_five_discs_of_a_plate_are_held_through_blur_and_clutter(real: Real) -> None:
    start = {
        "plate.large": ((159.6, 212.7), 62.0),
        "plate.a": ((215.4, 166.8), 18.0),
        "plate.b": ((85.4, 178.7), 18.0),
        "plate.c": ((93.0, 266.0), 18.0),
        "plate.d": ((242.4, 248.1), 18.0),
    }
    marks = [Mark(name, "disc", pixel, 0, size) for name, (pixel, size) in start.items()]
    tracks = track_marks(open_film(str(real("dot-plate"))), "hand", marks).tracks
    assert tracks.status.shape == (60, 5)
    assert tracks.measured_mask.all()
    # the crossing of the small discs' diagonals keeps its place beside the large disc's centre
    offset = np.array([crossing(p[1], p[3], p[2], p[4]) - p[0] for p in tracks.position])
    assert np.all(np.std(offset, axis=0) <= 0.15)
    assert np.mean(offset, axis=0) == pytest.approx((0.30, -0.86), abs=0.1)
    assert tracks.position[-1, 0] == pytest.approx((170.8, 185.3), abs=0.3)


def test_twelve_bit_pictures_keep_their_grey_levels(real: Real) -> None:
    folder = real("ball-30000fps")
    meta = json.loads((folder / "meta.json").read_text())
    film = open_film(str(folder), frame_rate=meta["record_rate_fps"], bits=meta["bits"])
    assert (film.frames, film.size, film.bits) == (15, (384, 384), 12)
    assert film.rate == 30000
    for i, luma in film.forward():
        file = folder / f"frame_{52 + i:04d}.png"
        stored = cv2.imread(str(file), cv2.IMREAD_UNCHANGED)
        assert luma.dtype == np.uint16
        np.testing.assert_array_equal(luma, stored)
        assert len(np.unique(luma)) > 1000
        assert luma.max() <= 4095


def test_a_ball_in_free_flight_moves_in_a_straight_line_at_constant_speed(real: Real) -> None:
    film = open_film(str(real("ball-30000fps")), frame_rate=30000.0, bits=12)
    marks = [Mark("ball.centre", "disc", (175.0, 110.0), 0, 126.0)]
    tracks = track_marks(film, "side", marks, duty=2e-5 * 30000).tracks
    assert tracks.measured_mask.all()
    frame = np.arange(15)
    for axis, speed in ((0, 0.0132), (1, 2.6477)):
        line = np.polyfit(frame, tracks.position[:, 0, axis], 1)
        assert line[0] == pytest.approx(speed, abs=0.005)
        residual = tracks.position[:, 0, axis] - np.polyval(line, frame)
        assert np.std(residual, ddof=2) <= 0.02


@pytest.fixture(scope="module")
def throw(real: Real) -> tuple[TrackingResult, float]:
    film = open_film(str(real("projectile-120fps") / "projetil.mp4"))
    marks = [
        Mark("ball.centre", "disc", (887.0, 1102.0), 0, 29.0),
        Mark("survey.left", "disc", (329.0, 495.0), 0, 14.0),
        Mark("survey.right", "disc", (796.0, 492.0), 0, 14.0),
    ]
    return track_marks(film, "phone", marks), film.rate


def test_a_thrown_ball_is_seen_in_every_frame_and_falls_as_published(
    throw: tuple[TrackingResult, float], real: Real
) -> None:
    tracks, rate = throw[0].tracks, throw[1]
    assert rate == pytest.approx(120.018, abs=0.001)
    assert tracks.measured_mask.all()
    path = tracks.position[:, 0] - tracks.position[:, 1:].mean(axis=1)
    time = np.arange(138) / rate
    fall = np.polyfit(time[4:101], path[4:101, 1], 2)
    assert 2 * fall[0] == pytest.approx(6230, abs=60)
    steps = np.diff(path[:, 1])
    assert steps[103] > 17.5  # the ball brushes the mat between frames 104 and 106
    assert steps[105] < 16.5
    published = _published(real("projectile-120fps") / "massa_A.txt")
    assert min(_difference(path, published, lag) for lag in range(-8, 9)) <= 0.008


def _difference(path: np.ndarray, published: np.ndarray, lag: int) -> float:
    """RMS distance in m after one similarity, with published row i in frame i + lag."""
    row = np.arange(len(published))
    row = row[(row > 3) & (row + lag >= 0) & (row + lag < len(path))]  # its first rows jump
    ours = path[row + lag] @ (1, -1j)
    theirs = published[row] @ (1, 1j)
    design = np.column_stack([ours, np.ones(len(ours))])
    fitted = design @ np.linalg.lstsq(design, theirs, rcond=None)[0]
    return float(np.sqrt(np.mean(np.abs(fitted - theirs) ** 2)))


def _published(file: Path) -> np.ndarray:
    """x, y in m of the course's own track."""
    return np.loadtxt(file, skiprows=2, usecols=(1, 2))


def test_fixed_marks_keep_their_distance(throw: tuple[TrackingResult, float]) -> None:
    place = throw[0].tracks.position
    apart = np.hypot(*(place[:, 2] - place[:, 1]).T)
    assert np.mean(apart) == pytest.approx(467.4, abs=0.3)
    assert np.std(apart) < 0.8
    assert np.ptp(place[:, 1:].mean(axis=1), axis=0) == pytest.approx((3.4, 12.0), abs=0.3)


@pytest.fixture(scope="module")
def crash(real: Real) -> TrackingResult:
    film = open_film(str(real("crash-film-early") / "overhead.avi"))
    marks = [
        Mark("survey.near", "disc", (297.0, 274.0), 0, 6.0),
        Mark("survey.middle", "disc", (297.0, 285.0), 0, 8.0),
        Mark("survey.far", "disc", (298.0, 297.0), 0, 6.0),
        Mark("light.roof", "quadrant", (493.0, 270.0), 0, 14.0),
        Mark("dark.trunk", "hourglass", (271.0, 402.0), 0, 16.0),
    ]
    return track_marks(film, "overhead", marks)


def test_an_archive_film_is_read_in_the_order_of_decoding(
    real: Real, crash: TrackingResult
) -> None:
    film = open_film(str(real("crash-film-early") / "overhead.avi"))
    assert (film.frames, film.size) == (139, (640, 480))
    assert "stamps_disordered" in [finding.code for finding in film.findings]
    brightness = [float(luma[240:420, 220:540].mean()) for _, luma in film.forward(0, 40)]
    assert int(np.argmax(np.diff(brightness))) + 1 == 20  # the flash bulbs, frame numbered 0
    # in the right order the vehicles advance evenly; exchanged frames would jump back and forth
    ground = crash.tracks.position[:, :2].mean(axis=1)
    path = crash.tracks.position[:19, 3] - ground[:19]
    assert np.all(np.diff(path[:, 0]) < -0.2)


def test_targets_of_both_vehicles_and_the_ground_are_followed_through_flash_and_weave(
    real: Real, crash: TrackingResult
) -> None:
    tracks = crash.tracks
    assert crash.findings == ()
    assert np.all(
        tracks.measured_mask[:100, :4].mean(axis=0) > 0.96
    )  # glare of the flash hides some
    # after the contact less than half of the dark vehicle's mark can be reported from its dents
    assert tracks.measured_mask[:54, 4].mean() > 0.96
    ground = np.nanmean(tracks.position[:, :2], axis=1)
    assert np.all(np.nanstd(tracks.position[:, 1] - tracks.position[:, 0], axis=0) < 0.15)
    velocity = {}
    for name in ("light.roof", "dark.trunk"):
        path = tracks.position[:19, tracks.marks.index(name)] - ground[:19]
        velocity[name] = np.polyfit(np.arange(19), path, 1)[0]
        flow = _flow(film_of(real), tracks.position[0, tracks.marks.index(name)])
        flow_ground = _flow(film_of(real), tracks.position[0, 1])
        assert velocity[name] == pytest.approx(flow - flow_ground, abs=0.06)
    light, dark = velocity["light.roof"], velocity["dark.trunk"]
    angle = np.degrees(np.arctan2(*light[::-1]) - np.arctan2(*dark[::-1])) % 360
    # published angle between the paths 148.4 deg; single targets far from the picture's centre
    # are seen aslant: plain optical flow at these two gives 158
    assert min(angle, 360 - angle) == pytest.approx(148.4, abs=12)


def film_of(real: Real) -> Film:
    return open_film(str(real("crash-film-early") / "overhead.avi"))


def _flow(film: Film, start: np.ndarray) -> np.ndarray:
    """Velocity of a point by plain optical flow over frames 0 to 18, px a frame."""
    places = [np.float32(start).reshape(1, 1, 2)]
    frames = [luma.copy() for _, luma in film.forward(0, 18)]
    for before, after in itertools.pairwise(frames):
        moved, _, _ = cv2.calcOpticalFlowPyrLK(before, after, places[-1], None, winSize=(13, 13))
        places.append(moved)
    return np.polyfit(np.arange(19), np.concatenate(places)[:, 0], 1)[0]


def test_a_ground_target_that_a_vehicle_covers_is_hidden_not_dragged_along(
    crash: TrackingResult,
) -> None:
    far = crash.tracks.position[:, 2] - crash.tracks.position[:, 1]
    seen = crash.tracks.status[:, 2] == Status.MEASURED
    assert seen[:110].all()
    assert not seen[130:].any()
    assert np.nanmax(np.hypot(*(far[seen] - np.nanmedian(far[:100], axis=0)).T)) < 2.0
