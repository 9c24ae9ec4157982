"""What has been measured so far, frame by frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import Status
from tracker.tracking.frame_step import Seen

EDIT_U = 0.5
"""Standard uncertainty of a person's place for a mark, px in each axis."""
_PROOF = 3
"""Frames in a row that a mark taken up again must be measured in to be believed."""


class Tape:
    """Arrays (frames, marks, ...) filled by one pass after the other."""

    def __init__(self, frames: int, marks: int) -> None:
        self.place = np.full((frames, marks, 2), np.nan)
        self.covariance = np.full((frames, marks, 2, 2), np.nan)
        self.status = np.zeros((frames, marks), np.int8)
        self.ratio, self.contrast, self.visible = (np.full((frames, marks), np.nan) for _ in "abc")
        self.since: NDArray[np.int64] = np.full(marks, -1, np.int64)
        self.proof: NDArray[np.int64] = np.full(marks, _PROOF, np.int64)

    def measured(self, frame: int) -> NDArray[np.bool_]:
        """(marks,) whether there is a place in this frame."""
        return np.asarray(self.status[frame] != Status.HIDDEN)

    def write(self, frame: int, which: NDArray[np.bool_], seen: Seen) -> None:
        """Write down a frame for these marks, and take back what didn't stand the proof."""
        got = which & seen.got
        again = which & seen.again
        self.proof[again] = 0
        self.since[again] = frame
        for m in np.flatnonzero(which & ~seen.got & (self.proof < _PROOF)).tolist():
            self.erase(m, int(self.since[m]), frame)
            self.proof[m] = _PROOF
        self.proof += got
        self.status[frame, which] = Status.HIDDEN
        self.status[frame, got] = Status.MEASURED
        np.copyto(self.place[frame], seen.place, where=which[:, None])
        np.copyto(self.covariance[frame], seen.covariance, where=which[:, None, None])
        np.copyto(self.ratio[frame], seen.ratio, where=which)
        np.copyto(self.contrast[frame], seen.contrast, where=which)
        np.copyto(self.visible[frame], seen.visible, where=which)

    def fix(
        self, frame: int, m: int, place: Array, covariance: Array, quality: tuple[float, ...]
    ) -> None:
        """Write down a mark found at its pick."""
        self.place[frame, m], self.covariance[frame, m] = place, covariance
        self.status[frame, m] = Status.MEASURED
        self.ratio[frame, m], self.contrast[frame, m], self.visible[frame, m] = quality
        self.proof[m] = _PROOF

    def edit(self, frame: int, m: int, place: Array) -> None:
        """Write down a person's place."""
        self.erase(m, frame, frame)
        self.place[frame, m], self.covariance[frame, m] = place, EDIT_U**2 * np.eye(2)
        self.status[frame, m] = Status.EDITED
        self.proof[m] = _PROOF

    def erase(self, m: int, one: int, other: int) -> None:
        """Make a mark hidden in the frames from one to the other, both included."""
        span = slice(min(one, other), max(one, other) + 1)
        self.place[span, m] = self.covariance[span, m] = np.nan
        self.ratio[span, m] = self.contrast[span, m] = self.visible[span, m] = np.nan
        self.status[span, m] = Status.HIDDEN

    def finished(self) -> NDArray[np.int8]:
        """The status, with hiding that lasts to an end of the film called lost."""
        status = self.status.copy()
        there = status != Status.HIDDEN
        before = ~np.maximum.accumulate(there, axis=0)
        after = ~np.maximum.accumulate(there[::-1], axis=0)[::-1]
        status[before | after] = Status.LOST
        return status
