"""Frames that repeat the one before: a scan that stopped, a camera that filled in what it lost.

A copy shows every mark where it was. It is noticed by that: vehicles do not stop for one frame. In
a scan the copy is one frame too many, so that time stood still; a camera's copy stands for a frame
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
from tracker.camera.expected_targets import SURVEY
from tracker.core.types import Status, Tracks
from tracker.film.findings import spelled
from tracker.tracking.layout_motion import carry_points

MOVING = 0.3  # px a frame, below which nothing tells a copy
STANDS = 0.12  # share of the usual step below which a frame repeats the one before
NEAR = 7  # frames on either side from which the usual step is taken
FEWEST = 2  # marks
FEWEST_NEAR = 4  # steps near a frame
MOST = 0.4  # share of the frames; more than that isn't copies
JUMPS = 1.5  # usual steps after a copy, from which on it stands for a lost frame


@dataclass(frozen=True)
class Repeated:
    """Frames that repeat the one before, and whether time stood still in them."""

    frames: NDArray[np.int64]
    inserted: bool  # copies are frames too many; else each stands for a frame that was lost


def repeated(tracks: Tracks) -> Repeated:
    """The frames in which all vehicle marks stand still amid their motion over the ground."""
    steps = _over_ground(tracks)
    known = np.isfinite(steps)
    enough = known.sum(axis=1) >= FEWEST
    way = np.full(len(tracks.position), np.nan)  # of a frame from the one before, px
    way[1:][enough] = percentile(steps[enough], 0.75)
    usual = _usual(way)
    with np.errstate(invalid="ignore"):
        stands = (usual > MOVING) & (way < STANDS * usual)
    frames = np.flatnonzero(stands)
    if len(frames) > MOST * len(way):
        frames = frames[:0]
    after = frames[frames + 1 < len(way)]
    jump = way[after + 1] / usual[after]
    jump = jump[np.isfinite(jump)]
    return Repeated(frames, not jump.size or bool(np.median(jump) < JUMPS))


def _over_ground(tracks: Tracks) -> Array:
    """How far (frames - 1, marks) the vehicles' marks move from frame to frame, px, less what the
    fixed targets show of the picture's own motion: a picture that weaves stands still at times.
    """
    fixed = np.array([mark.startswith(f"{SURVEY}.") for mark in tracks.marks])
    place = np.where(tracks.measured[..., None], tracks.position, np.nan)
    steps = np.full((len(place) - 1, int(np.sum(~fixed))), np.nan)
    for i, (before, after) in enumerate(pairwise(place)):
        shown = fixed & np.isfinite(before[:, 0]) & np.isfinite(after[:, 0])
        still = carry_points(before[shown], after[shown], before[~fixed])[0]
        steps[i] = np.linalg.norm(after[~fixed] - still, axis=1)
    return steps


def _usual(way: Array) -> Array:
    """The upper part of the steps (frames,) near each frame: copies among them don't lower it."""
    padded = np.pad(way, NEAR, constant_values=np.nan)
    near = np.delete(sliding_window_view(padded, 2 * NEAR + 1), NEAR, axis=1)
    enough = np.isfinite(near).sum(axis=1) >= FEWEST_NEAR
    usual = np.full(len(way), np.nan)
    usual[enough] = percentile(near[enough], 0.6)
    return usual


def percentile(rows: Array, share: float) -> Array:
    """The value (n,) below which this share of the known values of each row (n, k) lies, NaN being
    not known; each row has one at least. Linear between ranks, as numpy's.
    """
    ranked = np.sort(rows, axis=1)  # NaN last
    at = share * (np.isfinite(rows).sum(axis=1) - 1)
    below = np.floor(at).astype(int)
    here = np.arange(len(rows))
    low, high = ranked[here, below], ranked[here, np.ceil(at).astype(int)]
    return np.asarray(low + (at - below) * (high - low))


def without_copies(tracks: Tracks, found: Repeated) -> Tracks:
    """The tracks with all marks hidden in copies: they show what was, not what is."""
    if not len(found.frames):
        return tracks
    position, status = tracks.position.copy(), tracks.status.copy()
    position[found.frames] = np.nan
    status[found.frames] = np.where(
        status[found.frames] == Status.MEASURED, Status.HIDDEN, status[found.frames]
    )
    return replace(tracks, position=position, status=status)


def without_standing(clock: TimeBase, found: Repeated) -> TimeBase:
    """A clock counted in frames that stands still in copies which are frames too many.

    Times by a timing light or by the movie's own uneven stamps know that already.
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


def said_of(found: Repeated, where: str) -> list[Diagnostic]:
    """The copies in words."""
    if not len(found.frames):
        return []
    meaning = (
        "they are frames too many, and time stands still in them"
        if found.inserted
        else "each stands for a frame that was lost, and time goes on in them"
    )
    text = (
        f"{len(found.frames)} frames repeat the one before ({spelled(found.frames.tolist())}): as "
        f"the vehicles move on, {meaning}; nothing was measured in them"
    )
    return [Diagnostic("frames_repeated", text, where)]
