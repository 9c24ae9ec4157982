"""What has been measured so far, frame by frame."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import Status
from tracker.marks import Fix
from tracker.tracking.frame_step import FrameResult
from tracker.tracking.options import TRACKING


class TrackBuffer:
    """Arrays (frames, marks, ...) filled by one pass after the other."""

    def __init__(self, frames: int, marks: int) -> None:
        self.place = np.full((frames, marks, 2), np.nan)
        self.covariance = np.full((frames, marks, 2, 2), np.nan)
        self.status = np.zeros((frames, marks), np.int8)
        self.ratio, self.contrast, self.visible = (
            np.full((frames, marks), np.nan) for _ in range(3)
        )
        self.step = np.zeros(frames)
        self._reacquired_at: NDArray[np.int64] = np.full(marks, -1, np.int64)
        self._confirmed: NDArray[np.int64] = np.full(marks, TRACKING.confirmations, np.int64)

    def rows(self, last: int) -> dict[str, Array]:
        """A copy of what there is up to this frame, included."""
        return {name: each[: last + 1].copy() for name, each in self._by_frame().items()} | {
            name: each.copy() for name, each in self._by_mark().items()
        }

    def put_rows(self, rows: Mapping[str, Array]) -> None:
        """Put what `rows` gave."""
        for name, each in self._by_frame().items():
            each[: len(rows[name])] = rows[name]
        for name, each in self._by_mark().items():
            each[:] = rows[name]

    def _by_frame(self) -> dict[str, Array]:
        return {name: each for name, each in vars(self).items() if not name.startswith("_")}

    def _by_mark(self) -> dict[str, Array]:
        return {name: each for name, each in vars(self).items() if name.startswith("_")}

    def measured_mask(self, frame: int) -> NDArray[np.bool_]:
        """(marks,) whether there is a place in this frame."""
        return np.asarray(self.status[frame] != Status.HIDDEN)

    def write(self, frame: int, which: NDArray[np.bool_], result: FrameResult) -> None:
        """Write down a frame for these marks, and take back what was not confirmed."""
        got = which & result.got_mask
        again = which & result.reacquired_mask
        self._confirmed[again] = 0
        self._reacquired_at[again] = frame
        lost = which & ~result.got_mask & (self._confirmed < TRACKING.confirmations)
        for m in np.flatnonzero(lost).tolist():
            self.erase(m, int(self._reacquired_at[m]), frame)
            self._confirmed[m] = TRACKING.confirmations
        self._confirmed += got
        self.status[frame, which] = Status.HIDDEN
        self.status[frame, got] = Status.MEASURED
        np.copyto(self.place[frame], result.place, where=which[:, None])
        np.copyto(self.covariance[frame], result.covariance, where=which[:, None, None])
        np.copyto(self.ratio[frame], result.ratio, where=which)
        np.copyto(self.contrast[frame], result.contrast, where=which)
        np.copyto(self.visible[frame], result.visible, where=which)

    def write_fix(self, frame: int, m: int, fix: Fix) -> None:
        """Write down a mark found at its pick."""
        self.place[frame, m], self.covariance[frame, m] = fix.position, fix.covariance
        self.status[frame, m] = Status.MEASURED
        self.ratio[frame, m], self.contrast[frame, m] = fix.ratio, fix.contrast
        self.visible[frame, m] = fix.visible
        self._confirmed[m] = TRACKING.confirmations

    def await_confirmation(self, frame: int, m: int) -> None:
        """Take a mark back that is not measured in the frames after this one, too."""
        self._confirmed[m], self._reacquired_at[m] = 0, frame

    def write_edit(self, frame: int, m: int, place: Array) -> None:
        """Write down a person's place."""
        self.erase(m, frame, frame)
        self.place[frame, m], self.covariance[frame, m] = place, TRACKING.edit_u**2 * np.eye(2)
        self.status[frame, m] = Status.EDITED
        self._confirmed[m] = TRACKING.confirmations

    def erase(self, m: int, one: int, other: int) -> None:
        """Make a mark hidden in the frames from one to the other, both included."""
        span = slice(min(one, other), max(one, other) + 1)
        self.place[span, m] = self.covariance[span, m] = np.nan
        self.ratio[span, m] = self.contrast[span, m] = self.visible[span, m] = np.nan
        self.status[span, m] = Status.HIDDEN

    def final_status(self) -> NDArray[np.int8]:
        """The status (frames, marks), with hiding that lasts to an end of the film called lost."""
        status = self.status.copy()
        seen = status != Status.HIDDEN
        before = ~np.maximum.accumulate(seen, axis=0)
        after = ~np.maximum.accumulate(seen[::-1], axis=0)[::-1]
        status[before | after] = Status.LOST
        return status
