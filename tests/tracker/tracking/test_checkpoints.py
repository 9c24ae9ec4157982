"""A pass that goes on from a checkpoint gives what it would have given from the beginning.

Source: the definition itself; both are computed, and every number must be the same.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from tests.tracker.tracking.test_track import Edit, Out, marks_of, picks, site, still
from tracker.core.types import Mark, MarkId
from tracker.film import Film
from tracker.storage.npz_values import classes_of, read_values, write_values
from tracker.tracking import (
    PASS_CLASSES,
    Corrections,
    PassMemory,
    RememberedPass,
    TrackingResult,
    track_marks,
)

MARK = "car.m2"


def same(one: TrackingResult, other: TrackingResult) -> None:
    for name in ("position", "covariance", "status"):
        np.testing.assert_array_equal(getattr(one.tracks, name), getattr(other.tracks, name))
    for name in ("ratio", "contrast", "visible"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    assert one.findings == other.findings
    assert set(one.shapes) == set(other.shapes)


def from_disk(remembered: RememberedPass | None) -> RememberedPass:
    file = io.BytesIO()
    write_values(file, remembered)
    file.seek(0)
    found = read_values(file, classes_of(*PASS_CLASSES, MarkId))
    assert isinstance(found, RememberedPass)
    return found


@pytest.fixture(scope="module")
def film() -> Film:
    return site()


@pytest.fixture(scope="module")
def remembered(film: Film) -> RememberedPass:
    memory = PassMemory(None)
    track_marks(film, "top", picks(), duty=0.1, memory=memory)
    return from_disk(memory.present_pass)


def place(mark: str, frame: int) -> tuple[float, float]:
    u, v = marks_of(frame, still)[mark]
    return float(u) + 0.3, float(v) - 0.2


CHANGES = {
    "nothing": Corrections(),
    "correction": Corrections(placements=[Edit(MARK, 30, place(MARK, 30))]),
    "two corrections": Corrections(
        placements=[Edit(MARK, 41, place(MARK, 41)), Edit("car.m0", 22, place("car.m0", 22))]
    ),
    "ruled out": Corrections(exclusions=[Out(MARK, 27, 34)]),
    "ruled out to the end": Corrections(exclusions=[Out(MARK, 44)]),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_is_followed_from_where_it_begins_with_the_same_numbers(
    film: Film, remembered: RememberedPass, change: str
) -> None:
    corrections, memory = CHANGES[change], PassMemory(remembered)
    received: list[int] = []
    found = track_marks(
        film,
        "top",
        picks(),
        duty=0.1,
        corrections=corrections,
        memory=memory,
        listeners=(lambda frame, _: received.append(frame),),
    )
    assert memory.resumed_after > 12
    assert received == list(range(memory.resumed_after + 1, film.frames))
    same(found, track_marks(film, "top", picks(), duty=0.1, corrections=corrections))


@pytest.mark.slow
def test_changes_one_after_the_other_add_no_difference(film: Film) -> None:
    memory = PassMemory(None)
    track_marks(film, "top", picks(), duty=0.1, memory=memory)
    for corrections in CHANGES.values():
        memory = PassMemory(from_disk(memory.present_pass))
        found = track_marks(film, "top", picks(), duty=0.1, corrections=corrections, memory=memory)
        same(found, track_marks(film, "top", picks(), duty=0.1, corrections=corrections))


def moved(marks: Sequence[Mark], at: int, **new: object) -> list[Mark]:
    return [replace(m, **new) if i == at else m for i, m in enumerate(marks)]


@pytest.mark.parametrize(
    ("marks", "duty"),
    [
        (moved(picks(), 2, pixel=place(MARK, 0)), 0.1),
        (moved(picks(), 2, size_px=19.0), 0.1),
        (moved(picks(), 2, pattern="disc"), 0.1),
        (picks()[:-1], 0.1),
        (picks(), 0.2),
    ],
)
def test_what_changes_all_of_a_film_is_followed_from_its_beginning(
    film: Film, remembered: RememberedPass, marks: Sequence[Mark], duty: float
) -> None:
    memory = PassMemory(remembered)
    found = track_marks(film, "top", marks, duty=duty, memory=memory)
    assert memory.resumed_after == -1
    same(found, track_marks(film, "top", marks, duty=duty))


def test_a_pick_in_a_later_frame_is_followed_from_there_and_back(film: Film) -> None:
    late = moved(picks(), 2, pixel=place(MARK, 35), frame=35)
    later = moved(picks(), 2, pixel=place(MARK, 38), frame=38)
    memory = PassMemory(None)
    track_marks(film, "top", late, duty=0.1, memory=memory)
    memory = PassMemory(from_disk(memory.present_pass))
    found = track_marks(film, "top", later, duty=0.1, memory=memory)
    assert memory.resumed_after > 20
    same(found, track_marks(film, "top", later, duty=0.1))
