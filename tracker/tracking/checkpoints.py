"""Where a forward pass stood at some frames, so that a later pass that begins alike goes on there.

Up to the first frame in which something was picked, corrected or ruled out otherwise, two passes
through one film do the same. From the last checkpoint before that frame on a pass gives exactly
what it would have given from the beginning.
"""

from __future__ import annotations

import bisect
import copy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.film import RepeatDetector
from tracker.marks import Shape
from tracker.tracking.anchors import Anchor, AnchorLog, SoughtMark
from tracker.tracking.correlation_search import ReferencePicture
from tracker.tracking.options import TRACKING
from tracker.tracking.plan import StartPoint, TrackingPlan
from tracker.tracking.state import TrackingState
from tracker.tracking.track_buffer import TrackBuffer


@dataclass(frozen=True)
class PassBeginning:
    """What decides how a forward pass goes, besides its film."""

    first: int  # the frame from which on the film is read
    duty: float
    marks: tuple[tuple[str, str], ...]  # name and pattern
    starts: tuple[tuple[int, int, float, float, float, bool], ...]
    """Frame, mark, pixel, size and whether a person put it there; in the order of frames."""
    allowed_mask: NDArray[np.bool_]  # (frames, marks)


@dataclass(frozen=True)
class Checkpoint:
    """Everything that a forward pass knows after a frame."""

    frame: int
    state: Mapping[str, Mapping[str, Any]]  # of each part of the state
    buffer: Mapping[str, Array]
    anchors: Mapping[str, Any]
    repeats: Mapping[str, Any]


@dataclass(frozen=True)
class RememberedPass:
    """How a forward pass began, and its checkpoints."""

    beginning: PassBeginning
    checkpoints: tuple[Checkpoint, ...]


PASS_CLASSES = (
    RememberedPass,
    ReferencePicture,
    Anchor,
    SoughtMark,
    StartPoint,
    Shape,
    Diagnostic,
)
"""Of what a `RememberedPass` is made."""


class PassMemory:
    """The checkpoints of an earlier pass through the same film, and those of the present one."""

    def __init__(self, earlier: RememberedPass | None) -> None:
        self._earlier = earlier
        self._beginning: PassBeginning | None = None
        self._wanted: frozenset[int] = frozenset()
        self._made: list[Checkpoint] = []
        self.resumed_after = -1
        """The frame up to which the earlier pass served; -1: none of it did."""

    @property
    def present_pass(self) -> RememberedPass | None:
        """The present pass; None before it has begun."""
        if self._beginning is None:
            return None
        return RememberedPass(self._beginning, tuple(self._made))

    def begin(self, plan: TrackingPlan, first: int) -> Checkpoint | None:
        """The checkpoint from which to go on; None: the pass begins at `first`."""
        self._beginning = pass_beginning(plan, first)
        self._wanted = checkpoint_frames(plan.film.frames, plan.film.source.starts)
        if self._earlier is not None:
            until = first_difference(self._earlier.beginning, self._beginning)
            self._made = [c for c in self._earlier.checkpoints if c.frame < until]
        if not self._made:
            return None
        self.resumed_after = self._made[-1].frame
        return self._made[-1]

    def note(
        self,
        state: TrackingState,
        buffer: TrackBuffer,
        anchors: AnchorLog,
        repeats: RepeatDetector,
    ) -> None:
        """Keep where the pass stands, if this is a frame at which it is kept."""
        if state.frame not in self._wanted:
            return
        parts = {name: dict(vars(part)) for name, part in state.parts().items()}
        copies = copy.deepcopy((parts, vars(anchors), vars(repeats)))
        self._made.append(Checkpoint(state.frame, copies[0], buffer.rows(state.frame), *copies[1:]))


def resume(
    checkpoint: Checkpoint,
    state: TrackingState,
    buffer: TrackBuffer,
    anchors: AnchorLog,
    repeats: RepeatDetector,
) -> None:
    """Put blank values of a pass where the checkpoint stands."""
    parts, noted, copies = copy.deepcopy((checkpoint.state, checkpoint.anchors, checkpoint.repeats))
    state.frame = checkpoint.frame
    for name, part in state.parts().items():
        vars(part).update(parts[name])
    buffer.put_rows(checkpoint.buffer)
    vars(anchors).update(noted)
    vars(repeats).update(copies)


def pass_beginning(plan: TrackingPlan, first: int) -> PassBeginning:
    """How a forward pass by this plan begins."""
    return PassBeginning(
        first=first,
        duty=plan.duty,
        marks=tuple((str(mark.name), str(mark.pattern)) for mark in plan.marks),
        starts=tuple(
            (
                start.frame,
                start.mark,
                float(start.pixel[0]),
                float(start.pixel[1]),
                float(np.nan_to_num(plan.marks[start.mark].size_px)),
                start.corrected,
            )
            for start in plan.starts
        ),
        allowed_mask=plan.allowed_mask,
    )


def first_difference(one: PassBeginning, other: PassBeginning) -> int:
    """The first frame in which two passes through one film may differ."""
    same = (one.first, one.duty, one.marks) == (other.first, other.duty, other.marks)
    if not same or one.allowed_mask.shape != other.allowed_mask.shape:
        return -1
    frames = len(one.allowed_mask)
    ruled: NDArray[np.bool_] = np.any(one.allowed_mask != other.allowed_mask, axis=1)
    until = int(np.argmax(ruled)) if ruled.any() else frames
    for mine, theirs in zip(one.starts, other.starts, strict=False):
        if mine != theirs:
            return min(until, mine[0], theirs[0])
    rest = max(one.starts, other.starts, key=len)[min(len(one.starts), len(other.starts)) :]
    return min([until, *(start[0] for start in rest)])


def checkpoint_frames(frames: int, starts: Sequence[int]) -> frozenset[int]:
    """Frames after which to keep where a pass stands: each before one at which reading can begin,
    so that none is read without need.
    """
    count = TRACKING.checkpoints
    wanted = (k * frames // (count + 1) for k in range(1, count + 1))
    places = {bisect.bisect_left(starts, frame) for frame in wanted}
    return frozenset(starts[p] - 1 for p in places if p < len(starts) and starts[p] > 0)
