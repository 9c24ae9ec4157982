"""A mark that was given up is taken up again at a later pick, and followed both ways from it."""

from dataclasses import replace

import numpy as np
import pytest

from tests.support.rendered_film import film_of, finished, ground, paint
from tracker.core.types import Mark
from tracker.film import Film
from tracker.record.camera import CameraEntry
from tracker.tracking import track_marks

FRAMES, COVERED, SEEN_AGAIN, PICKED = 60, 15, 26, 40
GROUND = ground((400, 200))


def place(frame: int) -> np.ndarray:
    """Where the mark is: behind the cover it leaves the way it was going, farther than sought."""
    if frame < SEEN_AGAIN:
        return np.array([60.3 + 0.5 * frame, 60.2])
    return np.array([330.4 - 0.7 * (frame - SEEN_AGAIN), 150.6])


def film() -> Film:
    def picture(frame: int) -> np.ndarray:
        scene = GROUND.copy()
        if not COVERED <= frame < SEEN_AGAIN:
            paint(scene, "quadrant", place(frame), 18.0, 0.2)
        return finished(scene, frame)

    return film_of(picture, FRAMES)


def pixel(frame: int) -> tuple[float, float]:
    u, v = place(frame) + 1.5
    return float(u), float(v)


def test_a_second_pick_takes_a_lost_mark_up_again_and_back_to_where_it_came_into_sight() -> None:
    once = Mark("car.m0", "quadrant", pixel(0), 0, 18.0)  # type: ignore[arg-type]
    twice = replace(once, more=((PICKED, pixel(PICKED)),))
    lost = track_marks(film(), "side", [once]).tracks.measured_mask[:, 0]
    found = track_marks(film(), "side", [twice]).tracks

    assert not lost[COVERED:].any()
    assert found.measured_mask[:COVERED, 0].all()
    assert found.measured_mask[SEEN_AGAIN:, 0].all()
    assert not found.measured_mask[COVERED:SEEN_AGAIN, 0].any()
    truth = np.array([place(f) for f in range(FRAMES)])
    off = np.hypot(*(found.position[:, 0] - truth).T)
    assert np.nanmax(off) < 0.2


def test_a_record_lists_several_picks_in_any_order() -> None:
    picks = {
        "car.m0": [{"pixel": [640, 500], "frame": 230}, {"pixel": [402, 518], "frame": 0}],
        "car.m1": {"pixel": [10, 20]},
    }
    entry = CameraEntry.model_validate({"film": "side.mp4", "picks": picks})
    first = entry.picks["car.m0"]
    assert (first.pixel, first.frame) == ((402.0, 518.0), 0)
    assert [(p.pixel, p.frame) for p in first.more] == [((640.0, 500.0), 230)]
    assert entry.picks["car.m1"].more == ()


@pytest.mark.parametrize("wrong", [[], [3], [{"pixel": [1, 2]}, {"pixel": [3, 4]}]])
def test_what_is_no_list_of_picks_in_frames_of_their_own_is_refused(wrong: list[object]) -> None:
    with pytest.raises(ValueError, match="picks in frames of their own"):
        CameraEntry.model_validate({"film": "side.mp4", "picks": {"car.m0": wrong}})
