"""Marks that were lost, or not found at their picks, are taken up where their body brings them."""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest

from tests.support.film_look_scene import FilmTruth, first_picture, frames, scene
from tests.support.rendered_film import film_of, ground, paint
from tracker.core.types import Mark, MarkId
from tracker.marks import Picture, locate_mark
from tracker.tracking import track_marks

FRAMES = 92


@pytest.mark.slow
def test_marks_that_pass_behind_a_rail_in_grainy_film() -> None:
    """The last picture of a mark is often one that was rejected: it counts as having vanished."""
    s = scene("film rail", 12.0, "side", 7)
    drawn = list(islice(frames(s), FRAMES))
    pictures, truth = [p for p, _ in drawn], [t for _, t in drawn]
    place = np.concatenate([t.place for t in truth])
    cover = np.concatenate([t.cover for t in truth])
    marks = [
        Mark(MarkId.parse(m.name), m.pattern, (float(u), float(v)), 0, 12.0)  # type: ignore[arg-type]
        for m, (u, v) in zip(s.marks, place[0], strict=True)
    ]
    tracks = track_marks(film_of(pictures.__getitem__, FRAMES), "side", marks).tracks
    measured = tracks.measured_mask
    assert not np.any(measured & (cover > 0.95))
    assert np.any(cover[:, 9] > 0.95)
    assert measured[-4:, 9].any()  # behind the rail for 40 frames, in sight from frame 87 on
    off = np.hypot(*np.moveaxis(tracks.position - place, -1, 0))
    assert np.nanmax(off[measured]) < 1.0


def test_a_mark_that_its_pick_does_not_give_is_found_later() -> None:
    """Something lies on it until frame 20; its body's other marks say where it is then."""
    back = ground((320, 240))
    starts = np.array([[60.0, 80.0], [130.0, 90.0], [80.0, 160.0], [150.0, 150.0]])

    def picture(i: int) -> np.ndarray:
        grey = back.copy()
        for place in starts:
            paint(grey, "quadrant", place + np.array([2.0, 0.3]) * i, 14.0, turn=0.2)
        if i < 20:
            u, v = np.rint(starts[3] + np.array([2.0, 0.3]) * i).astype(int)
            grey[v - 14 : v + 15, u - 14 : u + 15] = 95.0
        return np.clip(np.rint(grey), 0, 255).astype(np.uint8)

    marks = [
        Mark(MarkId("car", f"m{k}"), "quadrant", (float(u), float(v)), 0, 14.0)
        for k, (u, v) in enumerate(starts)
    ]
    result = track_marks(film_of(picture, 40), "side", marks)
    measured = result.tracks.measured_mask[:, 3]
    assert not measured[:19].any()
    assert measured[26:].all()
    assert not [f for f in result.findings if f.code == "mark_not_found"]
    truth = starts[3] + np.outer(np.arange(40), (2.0, 0.3))
    assert np.nanmax(np.abs(result.tracks.position[26:, 3] - truth[26:])) < 0.1


def test_marks_beside_lamps() -> None:
    """A bright ellipse a tenth of the mark's size beside it no longer hides where it is."""
    found = picked = 0
    for seed in range(3):
        for view in ("side", "above"):
            s = scene("lamps", 12.0, view, seed)
            picture, truth = first_picture(s)
            rng = np.random.default_rng([seed, 3])
            for i in (i for i in _in_sight(truth) if s.marks[i].name.startswith("car")):
                near = truth.place[0, i] + rng.uniform(-3, 3, 2)
                fix = locate_mark(Picture(picture, 255.0), s.marks[i].pattern, near, 12.0)  # type: ignore[arg-type]
                off = float(np.hypot(*(fix.position - truth.place[0, i])))
                picked += 1
                found += fix.ok and off < 0.3
    assert found >= 0.9 * picked  # 0.8 before


def _in_sight(truth: FilmTruth) -> list[int]:
    u, v = truth.place[0].T
    clear = (u > 12) & (u < 627) & (v > 12) & (v < 499) & (truth.cover[0] < 0.05)
    return [int(i) for i in np.flatnonzero(clear)]
