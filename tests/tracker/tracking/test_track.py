"""Marks are followed as they move, hidden when they can't be seen, and never exchanged.

No published source: films are rendered by area sampling with the truth beside. The body's motion
is checked against plane geometry.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import pytest

from tests.support.rendered_film import film_of, finished, ground, paint
from tracker.core.types import Mark, Status
from tracker.film import Film
from tracker.tracking import Corrections, TrackingResult, track_marks
from tracker.tracking.correlation_search import best_shift, correlation_map, reference_picture
from tracker.tracking.layout_motion import carry_points
from tracker.tracking.read_ahead import read_ahead

SIZE = (320, 240)
GROUND = ground(SIZE)
CAR = np.array([[-42.0, -22.0], [38.0, -25.0], [-36.0, 24.0], [41.0, 20.0], [2.0, -3.0]])
SURVEY = np.array([[30.0, 30.0], [284.0, 206.0]])
MARK = 18.0


@dataclass(frozen=True)
class Edit:
    mark: str
    frame: int
    pixel: tuple[float, float]


@dataclass(frozen=True)
class Out:
    mark: str
    first: int
    last: int | None = None


def turned(points: np.ndarray, angle: float) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, s], [-s, c]])


def car(frame: int) -> tuple[np.ndarray, float]:
    """Where the body is: it approaches, brakes sharply at frame 25 and spins to rest."""
    late = 1.0 - np.exp(-max(frame - 25, 0) / 40)
    return np.array([90 + 3 * min(frame, 25) + 20 * late, 120 + 12 * late]), 0.1 + 0.6 * late


def marks_of(frame: int, shake: Callable[[int], np.ndarray]) -> dict[str, np.ndarray]:
    """Truth: the place of every mark in a frame."""
    centre, angle = car(frame)
    places = {f"car.m{i}": p for i, p in enumerate(turned(CAR, angle) + centre)}
    places |= {f"survey.g{i}": p for i, p in enumerate(SURVEY)}
    return {name: place + shake(frame) for name, place in places.items()}


def still(frame: int) -> np.ndarray:
    return np.zeros(2)


def site(
    cover: Callable[[int, np.ndarray], None] | None = None,
    shake: Callable[[int], np.ndarray] = still,
    frames: int = 50,
    pattern: str = "quadrant",
) -> Film:
    def picture(frame: int) -> np.ndarray:
        scene = GROUND.copy()
        centre, angle = car(frame)
        corners = turned(np.array([[-62, -40], [62, -40], [62, 40], [-62, 40]]), angle) + centre
        cv2.fillConvexPoly(scene, np.rint(corners + shake(frame)).astype(np.int32), 120.0)
        for name, place in marks_of(frame, shake).items():
            paint(scene, pattern, place, MARK, angle if name.startswith("car") else 0.2)
        if cover is not None:
            cover(frame, scene)
        return finished(scene, frame)

    return film_of(picture, frames)


def picks(
    frame: int = 0, shake: Callable[[int], np.ndarray] = still, pattern: str = "quadrant"
) -> list[Mark]:
    """Rough hand picks: up to two pixels off."""
    rng = np.random.default_rng(3)
    return [
        Mark(name, pattern, tuple(place + rng.uniform(-2, 2, 2)), frame, MARK)  # type: ignore[arg-type]
        for name, place in marks_of(frame, shake).items()
    ]


def truth_for(followed: TrackingResult, shake: Callable[[int], np.ndarray] = still) -> np.ndarray:
    frames = len(followed.tracks.position)
    at = [marks_of(frame, shake) for frame in range(frames)]
    return np.array([[places[name] for name in followed.tracks.marks] for places in at])


def errors(followed: TrackingResult, shake: Callable[[int], np.ndarray] = still) -> np.ndarray:
    """Distance (frames, marks) from the truth; NaN where nothing was measured."""
    return np.hypot(*np.moveaxis(followed.tracks.position - truth_for(followed, shake), -1, 0))


def hidden(followed: TrackingResult, name: str) -> np.ndarray:
    return ~followed.tracks.measured_mask[:, followed.tracks.marks.index(name)]


@pytest.fixture(scope="module")
def plain() -> TrackingResult:
    return track_marks(site(), "overhead", picks())


def test_every_visible_mark_is_measured_in_every_frame(plain: TrackingResult) -> None:
    assert plain.findings == ()
    assert plain.tracks.measured_mask.all()
    assert np.max(errors(plain)) < 0.15


def test_errors_are_as_large_as_the_covariance_says(plain: TrackingResult) -> None:
    off = plain.tracks.position - truth_for(plain)
    squares = np.einsum("fmi,fmij,fmj->fm", off, np.linalg.inv(plain.tracks.covariance), off) / 2
    assert 0.5 < np.median(squares) / 0.693 < 2.0  # median of chi-square with 2 degrees, over 2


def test_frames_are_read_once_and_only_forwards_from_picks_in_the_first_frame() -> None:
    read: list[int] = []
    film = site(frames=12)
    inner = film.source.picture  # type: ignore[attr-defined]
    counted = film_of(lambda i: read.append(i) or inner(i), 12)  # type: ignore[func-returns-value]
    read.clear()
    received: list[int] = []
    track_marks(counted, "overhead", picks(), listeners=[lambda i, luma: received.append(i)])
    assert read == list(range(12))
    assert received == list(range(12))


def test_picks_in_a_later_frame_are_followed_both_ways() -> None:
    followed = track_marks(site(), "overhead", picks(31))
    assert followed.tracks.measured_mask.all()
    assert np.max(errors(followed)) < 0.15


def test_shaking_of_the_whole_picture_is_followed() -> None:
    path = np.random.default_rng(5).normal(0, 1.5, (50, 2))

    def weave(frame: int) -> np.ndarray:
        return np.asarray(path[frame])

    followed = track_marks(site(shake=weave), "overhead", picks(0, weave))
    assert followed.tracks.measured_mask.mean() > 0.995
    assert np.nanmax(errors(followed, weave)) < 0.15


@pytest.mark.parametrize("pattern", ["quadrant", "disc"])
def test_a_covered_mark_is_hidden_and_taken_up_again(pattern: str) -> None:
    def plate(frame: int, scene: np.ndarray) -> None:
        if 12 <= frame < 42:
            u, v = marks_of(frame, still)["car.m1"]
            cv2.rectangle(scene, (int(u) - 16, int(v) - 16), (int(u) + 16, int(v) + 16), 60.0, -1)

    followed = track_marks(site(plate, pattern=pattern), "overhead", picks(0, pattern=pattern))
    gone = hidden(followed, "car.m1")
    assert gone[12:42].all()
    assert not gone[:12].any()
    assert not gone[44:].any()
    m = followed.tracks.marks.index("car.m1")
    assert np.isnan(followed.tracks.position[12:42, m]).all()
    assert np.isnan(followed.tracks.covariance[12:42, m]).all()
    assert (followed.tracks.status[12:42, m] == Status.HIDDEN).all()
    assert np.nanmax(errors(followed)) < 0.15
    others = np.delete(followed.tracks.measured_mask, m, axis=1)
    assert others.all()


def test_a_mark_hidden_to_the_end_is_lost() -> None:
    def plate(frame: int, scene: np.ndarray) -> None:
        if frame >= 20:
            u, v = marks_of(frame, still)["car.m2"]
            cv2.circle(scene, (int(u), int(v)), 18, 75.0, -1)

    followed = track_marks(site(plate), "overhead", picks())
    m = followed.tracks.marks.index("car.m2")
    assert (followed.tracks.status[20:, m] == Status.LOST).all()
    assert (followed.tracks.status[:20, m] == Status.MEASURED).all()


def test_soft_haze_hides_marks_but_never_shifts_them() -> None:
    """Smoke whose edge dims a mark on one side only looks like a shift to any fit."""
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    rng = np.random.default_rng(2)
    start, drift = rng.uniform((60, 70), (260, 190), (10, 2)), rng.normal(0, 0.6, (10, 2))

    def opacity(frame: int) -> np.ndarray:
        puffs = (np.hypot(x - u, y - v) for u, v in start + drift * frame)
        thick = sum(np.exp(-0.5 * (away / 14.0) ** 2) for away in puffs)
        return np.clip(1.1 * thick - 0.1, 0, 1) * (5 < frame < 42)

    def smoke(frame: int, scene: np.ndarray) -> None:
        alpha = opacity(frame)
        scene *= 1 - alpha
        scene += 190.0 * alpha

    followed = track_marks(site(smoke), "overhead", picks())
    off = errors(followed)
    assert np.nanmax(off) < 0.15
    assert np.isnan(off).any()  # in the thick of it nothing is measured
    plain = []
    for frame, row in enumerate(truth_for(followed)):
        worst = cv2.dilate(opacity(frame), np.ones((25, 25), np.uint8))
        plain.append(worst[tuple(np.rint(row).astype(int).T[::-1])] < 0.01)
    assert np.isfinite(off[np.array(plain)]).mean() > 0.9


def test_after_a_flash_that_blinds_the_picture_all_are_found_again() -> None:
    def flash(frame: int, scene: np.ndarray) -> None:
        if 26 <= frame < 32:
            scene += 400.0

    followed = track_marks(site(flash), "overhead", picks())
    assert not followed.tracks.measured_mask[26:32].any()
    assert followed.tracks.measured_mask[34:].all()
    assert np.nanmax(errors(followed)) < 0.15


@pytest.mark.parametrize("seen", [1, 2])
def test_marks_hidden_for_150_frames_are_found_where_their_body_has_turned_them(seen: int) -> None:
    def smoke(frame: int, scene: np.ndarray) -> None:
        if 10 <= frame < 160:
            for i in range(5 - seen):
                u, v = marks_of(frame, still)[f"car.m{i}"]
                cv2.circle(scene, (int(u), int(v)), 20, 100.0, -1)

    followed = track_marks(site(smoke, frames=172), "overhead", picks())
    assert followed.tracks.measured_mask[164:].all()
    assert np.nanmax(errors(followed)) < 0.15


def test_a_mark_is_not_exchanged_for_its_twin_beside_it() -> None:
    """Two equal discs a diameter and a half apart; one is covered while both move."""
    near = np.array([[0.0, 0.0], [1.5 * MARK, 0.0], [-20.0, 50.0], [50.0, 45.0]])

    def places(frame: int) -> np.ndarray:
        return near + np.array([60 + 2.0 * frame, 90 + 0.3 * frame])

    def picture(frame: int) -> np.ndarray:
        scene = GROUND.copy()
        for place in places(frame):
            paint(scene, "disc", place, MARK)
        if frame >= 15:
            u, v = places(frame)[0]
            cv2.rectangle(scene, (int(u) - 40, int(v) - 30), (int(u) + 12, int(v) + 30), 100.0, -1)
        return finished(scene, frame)

    marks = [Mark(f"car.m{i}", "disc", tuple(p), 0, MARK) for i, p in enumerate(places(0))]
    followed = track_marks(film_of(picture, 60), "overhead", marks)
    truth = np.array([places(frame) for frame in range(60)])
    off = np.hypot(*np.moveaxis(followed.tracks.position - truth, -1, 0))
    assert np.nanmax(off) < 0.15
    assert followed.tracks.measured_mask[:, 1:].all()
    assert not followed.tracks.measured_mask[15:, 0].any()


def test_marks_that_leave_the_picture_are_lost_and_those_that_enter_are_found() -> None:
    """A body crosses the picture; all its marks are picked in the middle of the film."""

    def places(frame: int) -> np.ndarray:
        return CAR * 0.9 + (-60 + 5.0 * frame, 120)

    def picture(frame: int) -> np.ndarray:
        scene = GROUND.copy()
        for place in places(frame):
            paint(scene, "quadrant", place, MARK)
        return finished(scene, frame)

    marks = [Mark(f"car.m{i}", "quadrant", tuple(p), 44, MARK) for i, p in enumerate(places(44))]
    followed = track_marks(film_of(picture, 90), "side", marks)
    truth = np.array([places(frame) for frame in range(90)])
    wholly = np.all((truth > MARK / 2 + 3) & (truth < np.array(SIZE) - MARK / 2 - 3), axis=2)
    gone = np.any((truth < -3) | (truth > np.array(SIZE) + 2), axis=2)
    assert followed.tracks.measured_mask[wholly].all()
    assert (followed.tracks.status[gone] == Status.LOST).all()
    off = np.hypot(*np.moveaxis(followed.tracks.position - truth, -1, 0))
    assert np.nanmax(off[wholly]) < 0.15


def test_motion_during_the_exposure_leaves_the_middle_of_the_exposure() -> None:
    """Five px of blur at ten px a frame, then braking: the place is that at mid-exposure."""

    def places(time: float) -> np.ndarray:
        return CAR + np.array([70 + 10.0 * time - 0.15 * time**2, 120 + 2.0 * time])

    def picture(frame: int) -> np.ndarray:
        scenes = []
        for part in (np.arange(8) + 0.5) / 8 - 0.5:
            scene = GROUND.copy()
            for place in places(frame + 0.5 * part):
                paint(scene, "quadrant", place, MARK)
            scenes.append(scene)
        return finished(np.mean(scenes, axis=0), frame)

    marks = [Mark(f"car.m{i}", "quadrant", tuple(p), 0, MARK) for i, p in enumerate(places(0))]
    film = film_of(picture, 16)
    followed = track_marks(film, "side", marks, duty=0.5)
    assert followed.tracks.measured_mask.all()
    truth = np.array([places(frame) for frame in range(16)])
    off = np.hypot(*np.moveaxis(followed.tracks.position - truth, -1, 0))
    assert np.max(off[1:]) < 0.2
    assert np.sqrt(np.mean(off[1:] ** 2)) < 0.05


def test_a_mark_outside_the_picture_at_its_pick_is_found_when_its_body_brings_it_in() -> None:
    def places(frame: int) -> np.ndarray:
        return CAR + np.array([30 + 3.0 * frame, 120])

    def picture(frame: int) -> np.ndarray:
        scene = GROUND.copy()
        for place in places(frame):
            paint(scene, "quadrant", place, MARK)
        return finished(scene, frame)

    marks = [Mark(f"car.m{i}", "quadrant", tuple(p), 0, MARK) for i, p in enumerate(places(0))]
    assert marks[0].pixel[0] < 0
    assert marks[2].pixel[0] < 0
    followed = track_marks(film_of(picture, 40), "side", marks)
    truth = np.array([places(frame) for frame in range(40)])
    wholly = truth[:, :, 0] > MARK / 2 + 4
    late = np.zeros_like(wholly)
    late[6:] = wholly[:-6]  # looked for in some frames only
    assert followed.tracks.measured_mask[late].all()
    off = np.hypot(*np.moveaxis(followed.tracks.position - truth, -1, 0))
    assert np.nanmax(off) < 0.15
    assert followed.findings == ()


def test_a_person_s_place_is_kept_and_followed_from() -> None:
    """The pick names the wrong mark; an edit at frame 20 puts it right for what comes after."""
    film = site(frames=40)
    marks = picks()
    wrong = marks[4].pixel
    marks[0] = Mark("car.m0", "quadrant", wrong, 0, MARK)
    marks.pop(4)
    right = tuple(marks_of(20, still)["car.m0"] + (0.8, -0.6))
    followed = track_marks(
        film, "overhead", marks, corrections=Corrections([Edit("car.m0", 20, right)])
    )
    m = followed.tracks.marks.index("car.m0")
    assert followed.tracks.status[20, m] == Status.EDITED
    np.testing.assert_array_equal(followed.tracks.position[20, m], right)
    np.testing.assert_allclose(followed.tracks.covariance[20, m], 0.25 * np.eye(2))
    off = errors(followed)[:, m]
    assert np.nanmax(off[21:]) < 0.15
    assert np.nanmax(off[1:20]) < 0.15  # also back to the pick
    assert (followed.tracks.status[1:20, m] == Status.MEASURED).all()


def test_a_mark_is_not_measured_where_it_is_ruled_out() -> None:
    film = site(frames=40)
    spans = [Out("car.m3", 10, 25), Out("survey.g0", 30)]
    followed = track_marks(film, "overhead", picks(), corrections=Corrections(exclusions=spans))
    assert np.flatnonzero(hidden(followed, "car.m3")).tolist() == list(range(10, 26))
    assert np.flatnonzero(hidden(followed, "survey.g0")).tolist() == list(range(30, 40))
    assert np.nanmax(errors(followed)) < 0.15


def test_a_pick_on_bare_ground_is_a_finding_and_the_others_go_on() -> None:
    marks = [*picks(), Mark("car.none", "quadrant", (160.0, 30.0), 0, MARK)]
    followed = track_marks(site(frames=10), "overhead", marks)
    assert [f.code for f in followed.findings] == ["mark_not_found"]
    assert "car.none" in followed.findings[0].where
    assert (followed.tracks.status[:, -1] == Status.LOST).all()
    assert followed.tracks.measured_mask[:, :-1].all()


def test_progress_is_reported_and_ends_at_the_end() -> None:
    received: list[tuple[str, int, int]] = []
    track_marks(site(frames=40), "side", picks(), progress=lambda *word: received.append(word))
    assert received[-1] == ("side", 40, 40)
    assert [done for _, done, _ in received] == sorted(done for _, done, _ in received)


@pytest.mark.parametrize("count", [1, 2, 3, 4, 7])
def test_a_body_s_motion_carries_its_hidden_marks(count: int) -> None:
    rng = np.random.default_rng(count)
    points = rng.uniform(-100, 100, (count + 3, 2))
    angle, scale = (0.0, 1.0) if count == 1 else (0.3, 1.1)
    moved = scale * turned(points, angle) + (12.0, -7.0)
    carried, linear = carry_points(points[:count], moved[:count], points[count:])
    np.testing.assert_allclose(linear, scale * turned(np.eye(2), angle).T, atol=1e-8)
    np.testing.assert_allclose(carried, moved[count:], atol=1e-8)


def test_five_marks_carry_an_affine_motion_and_one_stray_does_little_harm() -> None:
    points = np.array([*CAR, [60.0, 40.0], [-60.0, 5.0]])
    linear = np.array([[1.05, 0.12], [-0.05, 0.93]])
    moved = points @ linear.T + (3.0, 4.0)
    np.testing.assert_allclose(
        carry_points(points[:5], moved[:5], points[5:])[0], moved[5:], atol=1e-8
    )
    stray = moved.copy()
    stray[4] += (15.0, -10.0)
    assert np.max(np.abs(carry_points(points[:6], stray[:6], points[6:])[0] - moved[6:])) < 0.7


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_coarse_search_finds_a_shifted_picture(depth: type) -> None:
    scene = ground(SIZE, 4)
    paint(scene, "quadrant", np.array([150.3, 99.6]), MARK)
    before = (finished(scene, 0) * np.array(1 if depth is np.uint8 else 16, depth)).astype(depth)
    after = np.roll(before, (-9, 14), axis=(0, 1))
    patch = reference_picture(before, np.array([150.3, 99.6]), MARK)
    assert patch is not None
    score = correlation_map(after, patch, np.array([150.3, 99.6]), 20)
    shift, value = best_shift(score, 20, np.zeros(2), 20)
    np.testing.assert_array_equal(shift, (14, -9))
    assert value == pytest.approx(1.0, abs=1e-4)


def test_coarse_search_at_the_picture_s_edge_gives_no_match_outside() -> None:
    scene = finished(ground(SIZE, 4), 0)
    patch = reference_picture(scene, np.array([100.0, 100.0]), MARK)
    assert patch is not None
    assert not correlation_map(scene, patch, np.array([-90.0, 5.0]), 12).any()
    assert reference_picture(scene, np.array([4.0, 100.0]), MARK) is None


def numbered(count: int, fail_at: int = -1) -> Iterator[tuple[int, np.ndarray]]:
    for i in range(count):
        if i == fail_at:
            raise ValueError("broken")
        yield i, np.full((2, 2), i, np.uint8)


def test_reading_ahead_keeps_the_order_and_ends() -> None:
    with read_ahead(numbered(20)) as frames:
        assert [i for i, _ in frames] == list(range(20))


def test_an_error_while_reading_ahead_comes_in_its_place() -> None:
    got = []
    with pytest.raises(ValueError, match="broken"), read_ahead(numbered(9, 5)) as frames:
        got += [i for i, _ in frames]
    assert threading.active_count() < 10


def test_reading_ahead_stops_when_nobody_wants_more() -> None:
    before = threading.active_count()
    with read_ahead(numbered(10_000)) as frames:
        assert next(frames)[0] == 0
    assert threading.active_count() == before


def test_a_body_hidden_whole_while_it_brakes_is_taken_up_under_the_right_names() -> None:
    # 2 x 4 equal marks 36 px apart, hidden for 150 frames (150 ms at 1000 frames/s): they stop far
    # short of where they were heading, and all but the layout's edge fits one place off as well
    layout = np.array([[40.0 + 36 * i, 50.0 + 36 * j] for j in range(2) for i in range(4)])
    scene = ground((400, 140))

    def places(frame: int) -> np.ndarray:
        braking = min(max(frame - 20, 0), 60)
        way = 1.2 * min(frame, 20) + 1.2 * braking * (1 - braking / 120)
        return layout + np.array([way, 0.0])

    def picture(frame: int) -> np.ndarray:
        grey = scene.copy()
        for place in places(frame):
            paint(grey, "quadrant", place, 16.0, 0.3)
        if 22 <= frame < 172:
            grey[20:130] = 170.0
        return finished(grey, frame)

    marks = [Mark(f"car.m{i}", "quadrant", tuple(p), 0, 16.0) for i, p in enumerate(layout)]
    tracks = track_marks(film_of(picture, 190), "side", marks).tracks

    truth = np.array([places(frame) for frame in range(190)])
    off = np.hypot(*np.moveaxis(tracks.position - truth, -1, 0))
    assert not tracks.measured_mask[30:172].any()
    assert tracks.measured_mask[178:].all()
    assert np.nanmax(off) < 0.3
