"""Frames that repeat the one before: a scan that stopped, a camera that filled in what it lost.

A copy shows every mark where it was. It is noticed by that: vehicles do not stop for one frame. In
a scan the copy is one frame too many, which takes no time; a camera's copy stands for a frame
that was lost, so that the vehicles then jump by two frames' way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.findings import Diagnostic
from calibration.time.timebase import TimeBase
from tracker.camera.options import CAMERA
from tracker.core.types import Status, Tracks
from tracker.film.findings import frames_text
from tracker.tracking.layout_motion import carry_points


@dataclass(frozen=True)
class RepeatedFrames:
    """Frames that repeat the one before, and how they are to be timed."""

    frames: NDArray[np.int64]
    inserted: bool  # copies are frames too many; else each stands for a frame that was lost


def find_repeats(tracks: Tracks) -> RepeatedFrames:
    """The frames in which all vehicle marks stand still amid their motion over the ground."""
    way = _relative_steps(_steps_over_ground(tracks))
    with np.errstate(invalid="ignore"):
        frames = np.flatnonzero(way < CAMERA.repeat_step)
    if len(frames) > CAMERA.repeat_share * len(way):
        frames = frames[:0]
    return RepeatedFrames(frames, _is_inserted(frames, way))


def _relative_steps(steps: Array) -> Array:
    """How far (frames,) the marks move from the frame before, each over its own usual step; NaN
    where too few of them usually move. A mark that stands in other frames too shows nothing, nor
    does a frame in which the moving ones are not seen.
    """
    way = np.full(len(steps) + 1, np.nan)
    if not steps.shape[1]:
        return way
    usual = np.stack([_usual_steps(np.append(np.nan, own)) for own in steps.T], axis=1)[1:]
    moving = np.isfinite(steps) & (np.nan_to_num(usual) > CAMERA.repeat_moving_px)
    share = np.divide(steps, usual, out=np.full(steps.shape, np.nan), where=moving)
    enough = np.isfinite(share).sum(axis=1) >= CAMERA.repeat_marks
    way[1:][enough] = np.nanquantile(share[enough], CAMERA.repeat_marks_quantile, axis=1)
    return way


def _is_inserted(frames: NDArray[np.int64], way: Array) -> bool:
    """Whether copies are frames too many: after each run of them the vehicles go on by one frame's
    way, not by one more for each copy of the run.
    """
    runs = np.split(frames, np.flatnonzero(np.diff(frames) > 1) + 1) if len(frames) else []
    runs = [run for run in runs if run[-1] + 1 < len(way)]
    lost = np.array([(way[run[-1] + 1] - 1) / len(run) for run in runs])
    lost = lost[np.isfinite(lost)]
    return not lost.size or bool(np.median(lost) < CAMERA.repeat_jump - 1)


def _steps_over_ground(tracks: Tracks) -> Array:
    """How far (frames - 1, marks) the vehicles' marks move from frame to frame, px, less what the
    fixed targets show of the picture's own motion: a picture with weave is at rest at times.
    """
    fixed = np.array([mark.is_fixed for mark in tracks.marks])
    place = np.where(tracks.measured_mask[..., None], tracks.position, np.nan)
    steps = np.full((len(place) - 1, int(np.sum(~fixed))), np.nan)
    for i, (before, after) in enumerate(pairwise(place)):
        shown = fixed & np.isfinite(before[:, 0]) & np.isfinite(after[:, 0])
        still = carry_points(before[shown], after[shown], before[~fixed])[0]
        steps[i] = np.linalg.norm(after[~fixed] - still, axis=1)
    return steps


def _usual_steps(way: Array) -> Array:
    """The upper part of the steps (frames,) near each frame: copies among them don't lower it."""
    width = CAMERA.repeat_window
    padded = np.pad(way, width, constant_values=np.nan)
    near = np.delete(sliding_window_view(padded, 2 * width + 1), width, axis=1)
    enough = np.isfinite(near).sum(axis=1) >= CAMERA.repeat_steps
    usual = np.full(len(way), np.nan)
    usual[enough] = np.nanquantile(near[enough], CAMERA.repeat_window_quantile, axis=1)
    return usual


def hide_repeats(tracks: Tracks, found: RepeatedFrames) -> Tracks:
    """The tracks with all marks hidden in copies: they show what was, not what is."""
    if not len(found.frames):
        return tracks
    position, status = tracks.position.copy(), tracks.status.copy()
    position[found.frames] = np.nan
    status[found.frames] = np.where(
        status[found.frames] == Status.MEASURED, Status.HIDDEN, status[found.frames]
    )
    return replace(tracks, position=position, status=status)


def correct_repeat_times(clock: TimeBase, found: RepeatedFrames) -> TimeBase:
    """A clock counted in frames, corrected for copies that are frames too many and take no time.

    Times by a timing light or by the movie's own uneven stamps hold that already.
    """
    if not len(found.frames) or not found.inserted or clock.clock is not None:
        return clock
    count = len(clock.seconds)
    copies = np.zeros(count)
    copies[found.frames] = 1
    number = np.arange(count) - np.cumsum(copies)
    zero = 0.0 if np.isnan(clock.zero_frame) else clock.zero_frame
    at_zero = np.interp(zero, np.arange(count), number)
    seconds = (number - at_zero) / clock.rate
    u = np.abs(seconds) * clock.rate_u / clock.rate
    return replace(clock, seconds=seconds, seconds_u=u)


def repeat_diagnostics(found: RepeatedFrames, where: str) -> list[Diagnostic]:
    """The copies as a diagnostic; none without copies."""
    if not len(found.frames):
        return []
    meaning = (
        "they are frames too many, which take no time"
        if found.inserted
        else "each stands for a frame that was lost, and time goes on in them"
    )
    listed = frames_text(found.frames.tolist())
    text = (
        f"{len(found.frames)} frames repeat the one before ({listed}): as "
        f"the vehicles move on, {meaning}; nothing was measured in them"
    )
    return [Diagnostic("frames_repeated", text, where)]
