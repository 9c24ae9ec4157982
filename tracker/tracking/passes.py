"""The way there and the way back through a film."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.core.types import Mark, Progress, Status
from tracker.film import Film, Luma
from tracker.marks import Fix, Shape, locate, measure
from tracker.tracking.frame_step import step
from tracker.tracking.layout_motion import carry
from tracker.tracking.read_ahead import ahead
from tracker.tracking.state import Mask, State
from tracker.tracking.track_buffer import Tape
from tracker.tracking.types import Edited, Excluded

_PATTERNS = ("quadrant", "hourglass", "disc", "ring", "cross", "patch")
_MET = 0.5
"""Distance in px at which the way back has met the way there."""
_STANDS_OUT = 8.0
"""Contrast over residual from which a spoilt mark is believed."""
_SELDOM = 4
"""One of so many frames is searched for marks that may have entered the picture."""
_TOLD = 16
"""Frames from one word of progress to the next."""


@dataclass(frozen=True)
class Pick:
    """Where a mark was said to be, roughly or, by an edit, exactly."""

    frame: int
    mark: int
    pixel: Array  # (2,)
    edited: bool


@dataclass(frozen=True)
class Course:
    """What is to be followed where."""

    film: Film
    camera: str
    marks: tuple[Mark, ...]
    body: NDArray[np.int64]  # (marks,)
    still: Mask  # (marks,)
    duty: float
    picks: tuple[Pick, ...]  # in the order of frames
    allowed: NDArray[np.bool_]  # (frames, marks): False where ruled out

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the marks."""
        return tuple(mark.name for mark in self.marks)

    @property
    def first(self) -> int:
        """The first frame with a pick."""
        return self.picks[0].frame if self.picks else 0

    def state(self, frame: int, helper: Executor) -> State:
        """Nothing known yet, before this frame; `helper` is a thread that is free."""
        kind = np.array([_PATTERNS.index(mark.pattern) for mark in self.marks], np.int64)
        return State(self.body, self.still, kind, self.duty, self.film.white, frame, helper)


@dataclass(frozen=True)
class Anchor:
    """A mark found at a pick."""

    place: Array
    shape: Shape


@dataclass(frozen=True)
class Anchors:
    """Marks found at their picks by (frame, mark), and what was not found."""

    found: dict[tuple[int, int], Anchor] = field(default_factory=dict)
    shapes: dict[int, Shape] = field(default_factory=dict)  # of each mark when it was first found
    outside: dict[int, tuple[Array, Mask]] = field(default_factory=dict)
    """Marks outside the picture at their pick: places of all marks then, and which were seen."""
    findings: list[Diagnostic] = field(default_factory=list)


def course(
    film: Film,
    camera: str,
    marks: Sequence[Mark],
    duty: float,
    bodies: Mapping[str, str],
    edits: Sequence[Edited],
    ruled_out: Sequence[Excluded],
) -> Course:
    """The course of `follow`."""
    names = [mark.name for mark in marks]
    named = [bodies.get(name, name.split(".", 1)[0]) for name in names]
    order = sorted(set(named))
    picks = [
        Pick(mark.frame, m, np.array(mark.pixel, float), False) for m, mark in enumerate(marks)
    ]
    picks += [
        Pick(edit.frame, names.index(edit.mark), np.array(edit.pixel, float), True)
        for edit in edits
        if edit.mark in names
    ]
    allowed = np.ones((film.frames, len(marks)), bool)
    for span in ruled_out:
        if span.mark in names:
            end = film.frames if span.last is None else span.last + 1
            allowed[span.first : end, names.index(span.mark)] = False
    return Course(
        film=film,
        camera=camera,
        marks=tuple(marks),
        body=np.array([order.index(body) for body in named], np.int64),
        still=np.array([body == "survey" for body in named], bool),
        duty=duty,
        picks=tuple(sorted(picks, key=lambda pick: pick.frame)),
        allowed=allowed,
    )


def there(
    plan: Course,
    tape: Tape,
    anchors: Anchors,
    first: int,
    listeners: Sequence[Callable[[int, Luma], None]],
    progress: Progress | None,
) -> None:
    """From the first picks to the end of the film."""
    nothing = np.full((len(plan.marks), 2), np.nan)
    waiting = list(plan.picks)
    with ahead(plan.film.forward(first)) as frames, ThreadPoolExecutor(1) as helper:
        state = plan.state(first - 1, helper)
        for frame, luma in frames:
            for listener in listeners:
                listener(frame, luma)
            seen = step(state, frame, luma, plan.allowed[frame], nothing)
            tape.write(frame, state.known, seen)
            while waiting and waiting[0].frame <= frame:
                pick = waiting.pop(0)
                if pick.frame == frame and not _inside(luma, pick.pixel, 0.0):
                    state.place[pick.mark] = pick.pixel
                    anchors.outside[pick.mark] = state.place, state.held
                elif pick.frame == frame:
                    _begin(plan, tape, anchors, state, pick, luma)
                else:
                    _missing(plan, anchors, pick, "the frame can't be read")
            if anchors.outside and frame % _SELDOM == 0:
                _enter(plan, tape, anchors, state, frame, luma)
            _tell(plan, progress, frame)
    for pick in waiting:
        _missing(plan, anchors, pick, "the film has no such frame")
    if progress:
        progress(plan.camera, plan.film.frames, plan.film.frames)


def _begin(
    plan: Course, tape: Tape, anchors: Anchors, state: State, pick: Pick, luma: Luma
) -> None:
    """Find a mark at its pick and follow it from there."""
    m, mark = pick.mark, plan.marks[pick.mark]
    size = float(state.size[m]) if pick.edited and state.known[m] else mark.size_px
    fix = _found(plan, mark, pick.pixel, size, luma)
    if fix.ok:
        place, shape = fix.position, fix.shape
    else:
        old = anchors.shapes.get(m)
        if old is None or not pick.edited:
            _missing(plan, anchors, pick, fix.why)
            if pick.edited:
                tape.edit(pick.frame, m, pick.pixel)
            return
        place, shape = pick.pixel, state.shape(m, old)
    if pick.edited:
        tape.edit(pick.frame, m, pick.pixel)
    else:
        tape.fix(pick.frame, m, place, fix.covariance, (fix.ratio, fix.contrast, fix.visible))
    state.anchor(m, luma, place, shape, None)
    anchors.found[pick.frame, m] = Anchor(place, shape)
    anchors.shapes.setdefault(m, shape)


def _inside(luma: Luma, place: Array, margin: float) -> bool:
    rows, columns = luma.shape
    return bool(
        np.all(place >= margin) and np.all(place <= (columns - 1 - margin, rows - 1 - margin))
    )


def _enter(
    plan: Course, tape: Tape, anchors: Anchors, state: State, frame: int, luma: Luma
) -> None:
    """Look for marks that were outside the picture where their body has brought them."""
    for m, (then, held) in list(anchors.outside.items()):
        mark = plan.marks[m]
        mates = held & state.held & (state.body == state.body[m])
        if not mates.any() or not plan.allowed[frame, m]:
            continue
        place = carry(then[mates], state.place[mates], then[m][None])[0][0]
        half = mark.size_px / 2 if np.isfinite(mark.size_px) else 10.0
        if not _inside(luma, place, half):
            continue
        fix = _found(plan, mark, place, mark.size_px, luma)
        if fix.ok:
            quality = (fix.ratio, fix.contrast, fix.visible)
            tape.fix(frame, m, fix.position, fix.covariance, quality)
            state.anchor(m, luma, fix.position, fix.shape, None)
            anchors.shapes.setdefault(m, fix.shape)
            del anchors.outside[m]


def _found(plan: Course, mark: Mark, pixel: Array, size: float, luma: Luma) -> Fix:
    """The mark at a pick; also one that is spoilt inside, by a highlight or by dirt.

    What doesn't look like a clean mark of known size is measured again by its outline alone, robust
    against the rest, and taken if it stands out well.
    """
    white = plan.film.white
    fix = locate(luma, mark.pattern, pixel, size, white=white)
    if fix.ok or not np.isfinite(size) or not 0.8 < fix.shape.size / size < 1.25:
        return fix
    if abs(fix.contrast) <= _STANDS_OUT * fix.shape.noise:
        return fix
    again = measure(luma, [fix.shape], fix.position[None], white=white)[0]
    return again if again.ok and again.visible > 0.6 else fix


def _missing(plan: Course, anchors: Anchors, pick: Pick, why: str) -> None:
    mark = plan.marks[pick.mark]
    u, v = pick.pixel
    anchors.findings.append(
        Diagnostic(
            "mark_not_found",
            f"no {mark.pattern} was found at ({u:.0f}, {v:.0f}) in frame {pick.frame}: {why}",
            f"{plan.camera}: {mark.name}",
        )
    )


def back(plan: Course, tape: Tape, anchors: Anchors, progress: Progress | None) -> None:
    """From the last picks that are not in the first frame, to the beginning.

    Before its first pick a mark is followed to the beginning. From an edit it is followed until
    the way there is met, or the pick before it; what the way there had found is replaced.
    """
    at: dict[int, list[int]] = {}
    for frame, m in anchors.found:
        if frame > 0:
            at.setdefault(frame, []).append(m)
    if not at:
        return
    top = max(at)
    active = np.zeros(len(plan.marks), bool)
    with ahead(plan.film.backward(top)) as frames, ThreadPoolExecutor(1) as helper:
        state = plan.state(top + 1, helper)
        for frame, luma in frames:
            here = at.pop(frame, [])
            active[[m for m in range(len(active)) if (frame, m) in anchors.found]] = False
            given = np.where((tape.measured(frame) & ~active)[:, None], tape.place[frame], np.nan)
            seen = step(state, frame, luma, active & plan.allowed[frame], given)
            met = active & seen.got & tape.measured(frame)
            met &= (
                np.hypot(*(np.nan_to_num(tape.place[frame], nan=1e9) - np.nan_to_num(seen.place)).T)
                < _MET
            )
            tape.write(frame, active & ~met, seen)
            active &= ~met
            for m in here:
                anchor = anchors.found[frame, m]
                state.anchor(m, luma, anchor.place, anchor.shape, _reversed(tape, frame, m))
                active[m] = True
            state.known &= active
            if not active.any() and not at:
                break
            _tell(plan, progress, top - frame)


def _reversed(tape: Tape, frame: int, m: int) -> Array | None:
    """Velocity on the way back, px a frame, if the way there knows it."""
    if frame + 1 >= len(tape.place) or tape.status[frame + 1, m] != Status.MEASURED:
        return None
    return np.asarray(tape.place[frame, m] - tape.place[frame + 1, m])


def _tell(plan: Course, progress: Progress | None, frame: int) -> None:
    if progress and frame % _TOLD == 0:
        progress(plan.camera, frame, plan.film.frames)
