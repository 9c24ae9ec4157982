"""What is to be tracked in a film, and from where."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import PATTERNS, SURVEY, Mark, MarkId
from tracker.film import Film
from tracker.tracking.plausibility import Mask
from tracker.tracking.state import MarkSet, TrackingState
from tracker.tracking.types import Corrections


@dataclass(frozen=True)
class StartPoint:
    """Where a mark was picked, roughly or, by a person's correction, exactly."""

    frame: int
    mark: int
    pixel: Array  # (2,)
    corrected: bool


@dataclass(frozen=True)
class TrackingPlan:
    """What is to be tracked where."""

    film: Film
    camera: str
    marks: tuple[Mark, ...]
    body: NDArray[np.int64]  # (marks,)
    ground_mask: Mask  # (marks,)
    duty: float
    starts: tuple[StartPoint, ...]  # in the order of frames
    allowed_mask: NDArray[np.bool_]  # (frames, marks): False where excluded

    @property
    def names(self) -> tuple[MarkId, ...]:
        """Names of the marks."""
        return tuple(mark.name for mark in self.marks)

    @property
    def first(self) -> int:
        """The first frame with a pick."""
        return self.starts[0].frame if self.starts else 0

    def blank_state(self, frame: int, helper: Executor) -> TrackingState:
        """Nothing known yet, before this frame; `helper` is a thread that is free."""
        pattern = np.array([PATTERNS.index(mark.pattern) for mark in self.marks], np.int64)
        marks = MarkSet(self.body, self.ground_mask, pattern, self.duty, float(self.film.white))
        return TrackingState.blank(marks, frame, helper)


def tracking_plan(
    film: Film,
    camera: str,
    marks: Sequence[Mark],
    duty: float,
    corrections: Corrections,
) -> TrackingPlan:
    """The plan of `track_marks`, whose parameters these are."""
    names: list[str] = [mark.name for mark in marks]
    # a mark of the article moves by itself, as a body of its own
    body_names = [str(m.name) if m.name.is_free else m.name.vehicle for m in marks]
    order = sorted(set(body_names))
    starts = [
        StartPoint(mark.frame, m, np.array(mark.pixel, float), False)
        for m, mark in enumerate(marks)
    ]
    starts += [
        StartPoint(frame, m, np.array(pixel, float), False)
        for m, mark in enumerate(marks)
        for frame, pixel in mark.more
    ]
    starts += [
        StartPoint(edit.frame, names.index(edit.mark), np.array(edit.pixel, float), True)
        for edit in corrections.placements
        if edit.mark in names
    ]
    allowed = np.ones((film.frames, len(marks)), bool)
    for span in corrections.exclusions:
        if span.mark in names:
            end = film.frames if span.last is None else span.last + 1
            allowed[span.first : end, names.index(span.mark)] = False
    return TrackingPlan(
        film=film,
        camera=camera,
        marks=tuple(marks),
        body=np.array([order.index(body) for body in body_names], np.int64),
        ground_mask=np.array([body == SURVEY for body in body_names], bool),
        duty=duty,
        starts=tuple(sorted(starts, key=lambda start: start.frame)),
        allowed_mask=allowed,
    )
