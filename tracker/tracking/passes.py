"""The forward and the backward pass through a film."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from calibration.arrays import Array
from tracker.core.types import Progress, Status
from tracker.film import Luma, RepeatDetector
from tracker.tracking.anchors import AnchorLog
from tracker.tracking.checkpoints import PassMemory, resume
from tracker.tracking.frame_step import FrameResult, track_frame
from tracker.tracking.options import TRACKING
from tracker.tracking.picks import is_inside, seek_later, start_mark, start_sought
from tracker.tracking.plan import TrackingPlan
from tracker.tracking.plausibility import Mask
from tracker.tracking.read_ahead import read_ahead
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
                if start.frame == frame and not is_inside(luma, start.pixel, 0.0):
                    seek_later(anchors, state, start, "")
                elif start.frame == frame:
                    start_mark(plan, buffer, anchors, state, start, luma)
                else:
                    anchors.note_missing(plan, start, "the frame can't be read")
            if anchors.sought:
                start_sought(plan, buffer, anchors, state, luma)
            memory.note(state, buffer, anchors, repeats)
            _report_progress(plan, progress, frame)
    for start in waiting:
        anchors.note_missing(plan, start, "the film has no such frame")
    for sought in anchors.sought.values():
        if sought.why:
            anchors.note_missing(plan, sought.start, sought.why)
    if progress:
        progress(plan.camera, plan.film.frames, plan.film.frames)


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
        if frame > 0 and buffer.status[frame, m] != Status.HIDDEN:
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
