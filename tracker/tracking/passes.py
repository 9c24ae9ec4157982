"""The forward and the backward pass through a film."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from calibration.arrays import Array
from tracker.core.types import Mark, Progress, Status
from tracker.film import Luma, RepeatDetector
from tracker.marks import Fix, Picture, locate_mark, measure_marks
from tracker.tracking.anchors import Anchor, AnchorLog
from tracker.tracking.checkpoints import PassMemory, resume
from tracker.tracking.frame_step import FrameResult, track_frame
from tracker.tracking.layout_motion import carry_points
from tracker.tracking.options import TRACKING
from tracker.tracking.plan import StartPoint, TrackingPlan
from tracker.tracking.plausibility import Mask
from tracker.tracking.read_ahead import read_ahead
from tracker.tracking.state import TrackingState
from tracker.tracking.track_buffer import TrackBuffer

_PROGRESS_INTERVAL = 16
"""Frames from one report of progress to the next."""


def run_forward_pass(
    plan: TrackingPlan,
    buffer: TrackBuffer,
    anchors: AnchorLog,
    first: int,
    repeats: RepeatDetector,
    listeners: Sequence[Callable[[int, Luma], None]],
    memory: PassMemory,
    progress: Progress | None,
) -> None:
    """From the first picks to the end of the film, or from where `memory` has it; fills `buffer`,
    `anchors` and `repeats`.
    """
    nothing = np.full((len(plan.marks), 2), np.nan)
    checkpoint = memory.begin(plan, first)
    known = first - 1 if checkpoint is None else checkpoint.frame
    waiting = [start for start in plan.starts if checkpoint is None or start.frame > known]
    with read_ahead(plan.film.forward(known + 1)) as frames, ThreadPoolExecutor(1) as helper:
        state = plan.blank_state(known, helper)
        if checkpoint is not None:
            resume(checkpoint, state, buffer, anchors, repeats)
        for frame, luma in frames:
            for listener in (repeats.add_frame, *listeners):
                listener(frame, luma)
            result = track_frame(state, frame, luma, plan.allowed_mask[frame], nothing)
            buffer.step[frame] = plan.film.coding_step(frame)
            buffer.write(frame, state.motion.known_mask, result)
            while waiting and waiting[0].frame <= frame:
                start = waiting.pop(0)
                if start.frame == frame and not _is_inside(luma, start.pixel, 0.0):
                    state.motion.place[start.mark] = start.pixel
                    anchors.outside[start.mark] = state.motion.place, state.motion.measured_mask
                elif start.frame == frame:
                    _start_mark(plan, buffer, anchors, state, start, luma)
                else:
                    anchors.note_missing(plan, start, "the frame can't be read")
            if anchors.outside and frame % TRACKING.entry_interval == 0:
                _start_entering(plan, buffer, anchors, state, luma)
            memory.note(state, buffer, anchors, repeats)
            _report_progress(plan, progress, frame)
    for start in waiting:
        anchors.note_missing(plan, start, "the film has no such frame")
    if progress:
        progress(plan.camera, plan.film.frames, plan.film.frames)


def _start_mark(
    plan: TrackingPlan,
    buffer: TrackBuffer,
    anchors: AnchorLog,
    state: TrackingState,
    start: StartPoint,
    luma: Luma,
) -> None:
    """Find a mark at its pick and track it from there."""
    m, mark = start.mark, plan.marks[start.mark]
    known = start.corrected and state.motion.known_mask[m]
    size = float(state.appearance.size[m]) if known else mark.size_px
    fix = _fix_at_pick(plan, mark, start.pixel, size, luma)
    if fix.ok:
        place, shape = fix.position, fix.shape
    else:
        old = anchors.shapes.get(m)
        if old is None or not start.corrected:
            anchors.note_missing(plan, start, fix.why)
            if start.corrected:
                buffer.write_edit(start.frame, m, start.pixel)
            return
        place, shape = start.pixel, state.appearance.shape(m, old)
    if start.corrected:
        buffer.write_edit(start.frame, m, start.pixel)
    else:
        buffer.write_fix(start.frame, m, fix)
    state.anchor(m, luma, place, shape, None)
    anchors.found[start.frame, m] = Anchor(place, shape)
    anchors.shapes.setdefault(m, shape)


def _is_inside(luma: Luma, place: Array, margin: float) -> bool:
    rows, columns = luma.shape
    return bool(
        np.all(place >= margin) and np.all(place <= (columns - 1 - margin, rows - 1 - margin))
    )


def _start_entering(
    plan: TrackingPlan, buffer: TrackBuffer, anchors: AnchorLog, state: TrackingState, luma: Luma
) -> None:
    """Look for marks that were outside the picture where their body has brought them."""
    body, frame = state.marks.body, state.frame
    for m, (then, measured_then) in list(anchors.outside.items()):
        mark = plan.marks[m]
        mates = measured_then & state.motion.measured_mask & (body == body[m])
        if not mates.any() or not plan.allowed_mask[frame, m]:
            continue
        place = carry_points(then[mates], state.motion.place[mates], then[m][None])[0][0]
        half = mark.size_px / 2 if np.isfinite(mark.size_px) else TRACKING.entry_margin
        if not _is_inside(luma, place, half):
            continue
        fix = _fix_at_pick(plan, mark, place, mark.size_px, luma)
        if fix.ok:
            buffer.write_fix(frame, m, fix)
            state.anchor(m, luma, fix.position, fix.shape, None)
            anchors.shapes.setdefault(m, fix.shape)
            del anchors.outside[m]


def _fix_at_pick(plan: TrackingPlan, mark: Mark, pixel: Array, size: float, luma: Luma) -> Fix:
    """The mark at a pick; also one that is spoilt inside, by a highlight or by dirt.

    What doesn't look like a clean mark of known size is measured again by its outline alone, robust
    against the rest, and taken if it stands out well.
    """
    picture = Picture(luma, float(plan.film.white))
    low, high = TRACKING.spoilt_size_low, TRACKING.spoilt_size_high
    fix = locate_mark(picture, mark.pattern, pixel, size)
    if fix.ok or not np.isfinite(size) or not low < fix.shape.size / size < high:
        return fix
    if abs(fix.contrast) <= TRACKING.stands_out * fix.shape.noise:
        return fix
    again = measure_marks(picture, [fix.shape], fix.position[None])[0]
    return again if again.ok and again.visible > TRACKING.spoilt_visible else fix


def run_backward_pass(
    plan: TrackingPlan, buffer: TrackBuffer, anchors: AnchorLog, progress: Progress | None
) -> None:
    """From the last picks that are not in the first frame, to the beginning; fills `buffer`.

    Before its first pick a mark is tracked to the beginning. From a correction it is tracked until
    the forward pass is met, or the pick before it; what the forward pass had found is replaced.
    From a further pick it is tracked until the forward pass had found it; that stays.
    """
    corrections = {(start.frame, start.mark) for start in plan.starts if start.corrected}
    at: dict[int, list[int]] = {}
    for frame, m in anchors.found:
        if frame > 0:
            at.setdefault(frame, []).append(m)
    if not at:
        return
    top = max(at)
    active = np.zeros(len(plan.marks), bool)
    corrected = np.zeros(len(plan.marks), bool)
    with read_ahead(plan.film.backward(top)) as frames, ThreadPoolExecutor(1) as helper:
        state = plan.blank_state(top + 1, helper)
        for m, shape in anchors.shapes.items():
            state.appearance.size[m] = shape.size  # given marks keep their place to themselves
        for frame, luma in frames:
            here = at.pop(frame, [])
            active[[m for m in range(len(active)) if (frame, m) in anchors.found]] = False
            measured = buffer.measured_mask(frame)
            active &= ~measured | corrected
            given = np.where((measured & ~active)[:, None], buffer.place[frame], np.nan)
            result = track_frame(state, frame, luma, active & plan.allowed_mask[frame], given)
            met = active & measured & _met_mask(buffer.place[frame], result)
            buffer.write(frame, active & ~met, result)
            active &= ~met
            for m in here:
                anchor = anchors.found[frame, m]
                velocity = _backward_velocity(buffer, frame, m)
                state.anchor(m, luma, anchor.place, anchor.shape, velocity)
                active[m], corrected[m] = True, (frame, m) in corrections
            state.motion.known_mask &= active
            if not active.any() and not at:
                break
            _report_progress(plan, progress, top - frame)


def _met_mask(place: Array, result: FrameResult) -> Mask:
    """Which marks are where the forward pass had them (n, 2) px."""
    away = np.nan_to_num(place, nan=np.inf) - np.nan_to_num(result.place)
    return np.asarray(result.got_mask & (np.hypot(*away.T) < TRACKING.passes_meet))


def _backward_velocity(buffer: TrackBuffer, frame: int, m: int) -> Array | None:
    """Velocity of the backward pass, px a frame, if the forward pass knows it."""
    if frame + 1 >= len(buffer.place) or buffer.status[frame + 1, m] != Status.MEASURED:
        return None
    return np.asarray(buffer.place[frame, m] - buffer.place[frame + 1, m])


def _report_progress(plan: TrackingPlan, progress: Progress | None, frame: int) -> None:
    if progress and frame % _PROGRESS_INTERVAL == 0:
        progress(plan.camera, frame, plan.film.frames)
