"""Photographs and marked films show the right frames, and put what they draw where it belongs."""

from dataclasses import replace

import av
import cv2
import numpy as np
import pytest

from calibration.camera import Camera, Lens
from calibration.errors import Problem
from tests.support.made_results import TIME, made_results
from tracker.core.rigid_body import rotation
from tracker.core.types import Status, Tracks
from tracker.report.asked import with_choices
from tracker.report.films import mark_films, playing_pace
from tracker.report.moments import moments
from tracker.report.overlay import STRIP, Overlay, at_time, grey
from tracker.report.sequence import Photographer, sequence, summary
from tracker.results.json import json_text, read_scalars
from tracker.results.schema import View

SIZE, FRAMES = (160, 120), 60


def looking_along_y():
    """A camera 10 m to the left of the path that looks to the right: x to the left, z down."""
    lens = Lens(np.array([[100.0, 0, 79.5], [0, 100.0, 59.5], [0, 0, 1]]), np.zeros(5), SIZE)
    rotation = np.array([[-1.0, 0, 0], [0, 0, 1.0], [0, 1.0, 0]])
    return Camera(lens, rotation, np.array([0.0, -10.0, 0.0]))


def take_photographs(results, pictures, earlier):
    photographer = Photographer(results, pictures)
    photographer.take()
    return photographer.shots(earlier)


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    """A film whose frames are of grey 40 + 3 times their number."""
    path = tmp_path_factory.mktemp("film") / "side.avi"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=100)
        stream.width, stream.height = SIZE
        stream.pix_fmt = "gray"
        for i in range(FRAMES):
            luma = np.full(SIZE[::-1], 40 + 3 * i, dtype=np.uint8)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(luma, format="gray")))
        container.mux(stream.encode(None))
    return str(path)


@pytest.fixture
def results(film):
    times = np.linspace(-0.05, 0.24, FRAMES)
    position = np.full((FRAMES, 1, 2), [80.0, 60.0])
    covariance = np.tile(np.diag([4e-4, 1e-4]), (FRAMES, 1, 1, 1))
    status = np.full((FRAMES, 1), Status.MEASURED, dtype=np.int8)
    status[30:] = Status.HIDDEN
    position[30:] = np.nan
    return replace(
        made_results(),
        views={"side": View(film, looking_along_y(), 100.0, 8)},
        times={"side": times},
        tracks={"side": Tracks("side", ("car.door1",), position, covariance, status)},
    )


def test_moments_are_in_order_and_at_the_times_of_the_results():
    found = {moment.key: moment.time for moment in moments(made_results())}
    assert list(found.values()) == sorted(found.values())
    assert found["contact"] == 0.0
    assert found["greatest-crush"] == 0.171
    assert found["occupant-impact"] == 0.1043
    assert found["greatest-pitch"] == 0.15
    assert found["end"] == pytest.approx(TIME[-1])
    assert 0 < found["half-crush"] < found["greatest-crush"]


def test_a_crush_that_still_grows_as_the_film_ends_is_not_called_the_greatest():
    """The last frame of a film cut at 92 ms stood on page 1 as "greatest crush"."""
    results = made_results()
    growing = replace(results.crush.max_dynamic, at_end=True)
    cut = replace(results, crush=replace(results.crush, max_dynamic=growing))
    (label,) = [m.label for m in moments(cut) if m.key == "greatest-crush"]
    assert label == "crush at the film's end"


def test_chosen_times_take_the_place_of_the_tests_own_moments(results, tmp_path):
    asked = replace(results, test=replace(results.test, photographs=(0.1, -0.02, 0.1)))
    shots = take_photographs(asked, tmp_path, tmp_path / "nowhere")
    label = {name: text.split(", ")[1] for name, text in shots["side"].values()}
    assert label == {
        "side-20-ms-before.jpg": "20 ms before contact",
        "side-100-ms-after.jpg": "100 ms after contact",
    }
    for time, (name, _) in zip((-0.02, 0.1), shots["side"].values(), strict=True):
        frame = np.argmin(np.abs(results.times["side"] - time))
        grey_ = np.median(cv2.imread(str(tmp_path / name), 0))  # a caption stands below
        assert grey_ == pytest.approx(40 + 3 * frame, abs=1.0)


def test_half_crush_is_where_the_vehicles_have_closed_by_half():
    results = made_results()
    car, truck = results.motion["car"], results.motion["truck"]
    way = np.interp([0.0, 0.171], TIME, car.state[:, 0] - truck.state[:, 0])
    (half,) = [m.time for m in moments(results) if m.key == "half-crush"]
    closed = np.interp(half, TIME, car.state[:, 0] - truck.state[:, 0]) - way[0]
    assert closed == pytest.approx((way[1] - way[0]) / 2, abs=0.03)  # one frame at 27 m/s


def test_a_photograph_shows_the_frame_nearest_to_its_moment(results, tmp_path):
    shots = take_photographs(results, tmp_path, tmp_path / "nowhere")
    times = results.times["side"]
    assert set(shots["side"]) == {
        "contact",
        "half-crush",
        "greatest-crush",
        "occupant-impact",
        "greatest-pitch",
    }  # the film ends before the motion does
    for moment in moments(results):
        if moment.key in shots["side"]:
            picture = cv2.imread(str(tmp_path / shots["side"][moment.key][0]), 0)
            frame = np.argmin(np.abs(times - moment.time))
            assert np.median(picture) == pytest.approx(40 + 3 * frame, abs=1.0)


def test_without_the_film_the_earlier_photographs_stay(results, tmp_path):
    first, second = tmp_path / "first", tmp_path / "second"
    first.mkdir()
    second.mkdir()
    shots = take_photographs(results, first, tmp_path / "nowhere")
    lost = replace(results, views={"side": View("/gone/side.avi")})
    assert take_photographs(lost, second, first) == shots
    assert sorted(p.name for p in first.iterdir()) == sorted(p.name for p in second.iterdir())
    assert take_photographs(lost, second, tmp_path / "nowhere") == {}


def test_four_photographs_stand_in_the_summary_and_all_in_the_sequence(results, tmp_path):
    shots = take_photographs(results, tmp_path, tmp_path / "nowhere")
    assert [len(row) for row in summary(shots).rows] == [2, 2]
    assert sum(len(row) for row in sequence(shots).rows) == 5
    assert summary({}) is None
    assert sequence({}) is None


def test_full_scale_of_any_bit_depth_is_white():
    luma = np.array([[0, 2048, 4095]], dtype=np.uint16)
    assert grey(luma, 4095).tolist() == [[0, 128, 255]]


@pytest.mark.parametrize("seed", range(5))
def test_attitude_turns_yaw_then_pitch_then_roll(seed):
    # intrinsic z-y-x (SAE J670), against scipy's rotation
    from scipy.spatial.transform import Rotation

    roll, pitch, yaw = np.random.default_rng(seed).uniform(-1, 1, 3)
    expected = Rotation.from_euler("ZYX", [yaw, pitch, roll]).as_matrix()
    assert np.allclose(rotation(np.array([roll, pitch, yaw])), expected, atol=1e-14)


def test_motion_between_frames_is_between_their_states():
    motion = made_results().motion["car"]
    state = at_time(motion, TIME[100] + 0.0005)
    assert motion.state[101, 6] <= state[6] <= motion.state[100, 6]
    assert np.isnan(state[3])  # roll is not observed
    assert at_time(motion, 9.0) is None


def test_the_vehicles_axes_start_at_its_cg_and_follow_the_pictures_motion(results):
    black = np.zeros(SIZE[::-1], dtype=np.uint8)
    unmarked = replace(results, tracks={}, motion={"car": results.motion["car"]})
    view = results.views["side"]
    frame = 13  # the car is within the picture
    state = at_time(results.motion["car"], float(results.times["side"][frame]))
    seen = view.camera.project(state[None, :3])[0]
    still = Overlay("side", unmarked, view, 0.0).annotate_frame(frame, black)[: SIZE[1]]
    drawn = np.argwhere(still.max(axis=2) > 60)[:, ::-1]
    assert np.abs(drawn - seen).sum(axis=1).min() < 2.5
    shake = np.zeros((FRAMES, 4))
    shake[:, :2] = [7.0, -4.0]
    moved = replace(view, steadiness=shake, centre=(79.5, 59.5))
    displaced = Overlay("side", unmarked, moved, 0.0).annotate_frame(frame, black)[: SIZE[1]]
    assert (still > 0).sum() > 300
    assert (displaced[:-4, 7:] != still[4:, :-7]).mean() < 0.002  # pixels at the picture's edge


def test_hidden_marks_are_not_drawn(results):
    black = np.zeros(SIZE[::-1], dtype=np.uint8)
    bare = replace(results, motion={})
    overlay = Overlay("side", bare, results.views["side"], 0.0)
    assert overlay.annotate_frame(10, black)[55:65, 75:85].any()
    assert not overlay.annotate_frame(40, black)[: SIZE[1]].any()


def test_a_marked_film_has_every_frame_and_plays_anywhere(results, tmp_path):
    reported = []
    mark_films(results, tmp_path / "films", tmp_path, lambda *now: reported.append(now))
    with av.open(str(tmp_path / "films" / "side.mp4")) as container:
        stream = container.streams.video[0]
        assert stream.codec_context.name == "h264"
        assert stream.codec_context.pix_fmt == "yuv420p"
        assert (stream.width, stream.height) == (SIZE[0], SIZE[1] + STRIP)
        assert float(stream.average_rate) == 25.0
        greys = [f.to_ndarray(format="gray")[5:20, 5:20].mean() for f in container.decode(stream)]
    assert len(greys) == FRAMES
    assert np.abs(greys - (40 + 3 * np.arange(FRAMES))).max() < 2.0  # a frame is 3 apart
    assert reported[-1] == ("marking side", FRAMES, FRAMES)


@pytest.mark.parametrize(
    ("rate", "slow", "shown"),
    [
        (1000.0, None, (25.0, 1, 40.0)),
        (1000.0, 40.0, (25.0, 1, 40.0)),
        (1000.0, 200.0, (5.0, 1, 200.0)),
        (1000.0, 5.0, (50.0, 4, 5.0)),
        (60.0, 1.0, (60.0, 1, 1.0)),
        (float("nan"), 8.0, (25.0, 1, 0.0)),
    ],
)
def test_a_second_of_the_film_lasts_as_long_as_asked(rate, slow, shown):
    pace = playing_pace(rate, slow)
    assert (pace.rate, pace.step, pace.slow) == shown
    if slow is not None and np.isfinite(rate):
        assert rate / pace.step / pace.rate == pytest.approx(slow)


def test_frames_of_a_film_in_slow_motion_lie_at_their_times(results, tmp_path):
    asked = replace(results, test=replace(results.test, slow_motion=0.5 * 100 / 60))
    taken = []
    look = lambda camera, index, luma, white: taken.append(index)  # noqa: E731
    mark_films(asked, tmp_path / "films", tmp_path, lambda *_: None, look)
    with av.open(str(tmp_path / "films" / "side.mp4")) as container:
        stream = container.streams.video[0]
        greys = [f.to_ndarray(format="gray")[5:20, 5:20].mean() for f in container.decode(stream)]
        assert float(stream.average_rate) == pytest.approx(60.0)
    assert taken == list(range(FRAMES))  # photographs are taken from any frame
    assert np.abs(greys - (40 + 6 * np.arange(FRAMES // 2))).max() < 2.0


def test_a_marked_film_that_would_be_the_same_is_kept_and_any_other_is_made_anew(results, tmp_path):
    inputs = {"side.avi": "ab" * 32}
    camera = replace(results.cameras["side"], film="side.avi")
    known = replace(
        results,
        cameras={"side": camera},
        software=replace(results.software, inputs=inputs),
    )
    other_film = replace(known.software, inputs={"side.avi": "cd" * 32})
    motion = results.motion["car"]
    faster = replace(motion, state=motion.state * 1.001)
    drawn = []
    count = lambda *now: drawn.append(now)  # noqa: E731
    mark_films(known, tmp_path / "0", tmp_path, count)
    assert len(drawn) == FRAMES
    first = (tmp_path / "0" / "side.mp4").read_bytes()
    same = replace(known, test=replace(known.test, title="Another", criteria="none"))
    mark_films(same, tmp_path / "1", tmp_path / "0", count)
    assert len(drawn) == FRAMES
    assert (tmp_path / "1" / "side.mp4").read_bytes() == first
    for k, changed in enumerate(
        (
            replace(known, software=other_film),
            replace(known, motion={**results.motion, "car": faster}),
            replace(known, test=replace(known.test, number="other")),
            replace(known, test=replace(known.test, slow_motion=200.0)),
            results,  # whose film may have changed: nothing says that it has not
        ),
        2,
    ):
        mark_films(changed, tmp_path / str(k), tmp_path / "0", count)
        assert len(drawn) == k * FRAMES


def test_what_is_asked_of_the_pictures_is_kept_and_logged():
    results = made_results()
    asked = with_choices(results, ("20 ms", "0.08 s"), 30.0)
    assert asked.test.photographs == (0.02, 0.08)
    assert asked.test.slow_motion == 30.0
    assert asked.log[-1].data == {"photographs": [0.02, 0.08], "slow_motion": 30.0}
    assert read_scalars(json_text(asked), "results.json")["test"] == asked.test
    assert with_choices(asked, (), 10.0).test.photographs == (0.02, 0.08)
    assert with_choices(results) is results
    with pytest.raises(Problem, match="unit"):
        with_choices(results, ("20",))


def test_without_the_film_the_earlier_marked_film_stays(results, tmp_path):
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / "side.mp4").write_bytes(b"film")
    lost = replace(results, views={"side": View("/gone/side.avi")})
    mark_films(lost, tmp_path / "films", tmp_path / "old", lambda *_: None)
    assert (tmp_path / "films" / "side.mp4").read_bytes() == b"film"
