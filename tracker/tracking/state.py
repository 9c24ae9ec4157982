"""What is known of the marks between one frame and the next."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.film import Luma
from tracker.marks import Shape
from tracker.marks.measure import Appearances
from tracker.marks.parameters import RINGS
from tracker.tracking import plausibility
from tracker.tracking.appearance import AppearanceState
from tracker.tracking.plausibility import Mask, MotionBefore, ReliablePlaces


@dataclass(frozen=True)
class MarkSet:
    """What stays the same of n marks through a film."""

    body: NDArray[np.int64]  # (n,) number of each mark's body
    ground_mask: Mask  # (n,) whether the body is the ground
    pattern: NDArray[np.int64]  # (n,) number of each mark's pattern
    duty: float  # exposure over the time from frame to frame
    white: float  # grey at which the picture clips

    def __len__(self) -> int:
        return len(self.body)


class MotionState:
    """Where n marks are and how they move; places in px, velocities in px a frame."""

    def __init__(self, n: int) -> None:
        self.place = np.full((n, 2), np.nan)
        """(n, 2) measured, else predicted."""
        self.velocity = np.zeros((n, 2))
        self.known_mask: Mask = np.zeros(n, bool)
        """(n,) has a shape to be looked for."""
        self.measured_mask: Mask = np.zeros(n, bool)
        """(n,) measured in the last frame."""
        self.frames_hidden: NDArray[np.int64] = np.zeros(n, np.int64)
        """(n,) frames since it was measured."""
        self.fix_count: NDArray[np.int64] = np.zeros(n, np.int64)
        """(n,) measurements so far."""
        self.home = np.full((n, 2), np.nan)
        """(n, 2) where marks of the ground were picked, less the picture's shift then."""
        self.innovation = 0.0
        """px, running mean over the frames."""


class LastSeenLayout:
    """Where all n marks were, and how they looked, when each of them was last measured."""

    def __init__(self, n: int) -> None:
        self.place = np.full((n, n, 2), np.nan)
        self.measured_mask: Mask = np.zeros((n, n), bool)
        """(n, n) which of them were measured then."""
        self.turn = np.tile(np.eye(2), (n, 1, 1))
        """(n, 2, 2) how the picture of its body has turned since."""
        self._affine = np.full((n, n, 4), np.nan)

    def store(self, vanished_mask: Mask, motion: MotionState, affine: Array) -> None:
        """Keep places, and inverse affines (n, 4), of all marks for these that are gone now."""
        for m in np.flatnonzero(vanished_mask).tolist():
            self.place[m], self.measured_mask[m] = motion.place, motion.measured_mask
            self._affine[m] = affine

    def turn_by_mate(self, m: int, mate: int, affine: Array, kind: int) -> Array:
        """Turn (2, 2) of the picture since m was last measured, as another mark's looks show it:
        its inverse affine (4,) now. A ring shows none.
        """
        then = self._affine[m, mate]
        if kind == RINGS or not np.isfinite(then).all():
            return np.eye(2)
        return np.asarray(np.linalg.inv(affine.reshape(2, 2)) @ then.reshape(2, 2))


class ReliableLayout:
    """Where all n marks were when each of them was last measured reliably."""

    def __init__(self, n: int) -> None:
        self._place, self._together_mask = np.full((n, n, 2), np.nan), np.zeros((n, n), bool)
        self._frame = np.full(n, -1, np.int64)

    def store_reliable(self, reliable_mask: Mask, place: Array, frame: int) -> None:
        """Keep where everything is for these marks."""
        self._place[reliable_mask], self._together_mask[reliable_mask] = place, reliable_mask
        self._frame[reliable_mask] = frame

    @property
    def places(self) -> ReliablePlaces:
        """As the compiled checks take it."""
        return ReliablePlaces(self._frame, self._together_mask, self._place)


@dataclass
class TrackingState:
    """All that goes from one frame to the next."""

    marks: MarkSet
    frame: int
    helper: Executor | None  # a thread that does half of the fits
    motion: MotionState
    appearance: AppearanceState
    last_seen: LastSeenLayout
    reliable: ReliableLayout

    @classmethod
    def blank(cls, marks: MarkSet, frame: int, helper: Executor | None) -> TrackingState:
        """Nothing known yet, in this frame."""
        n = len(marks)
        parts = MotionState(n), AppearanceState(n), LastSeenLayout(n), ReliableLayout(n)
        return cls(marks, frame, helper, *parts)

    def parts(self) -> dict[str, object]:
        """What changes from frame to frame, by name."""
        return {
            "motion": self.motion,
            "appearance": self.appearance,
            "last_seen": self.last_seen,
            "reliable": self.reliable,
        }

    def anchor(
        self, m: int, luma: Luma, place: Array, shape: Shape, velocity: Array | None
    ) -> None:
        """Mark m is at this place of the present frame, looks like this and moves so."""
        motion, marks = self.motion, self.marks
        mates = motion.measured_mask & (marks.body == marks.body[m]) & (motion.fix_count > 1)
        mates[m] = False
        motion.fix_count[m] = 1 if velocity is None and not mates.any() else 2
        if velocity is None:
            velocity = np.mean(motion.velocity[mates], axis=0) if mates.any() else np.zeros(2)
        motion.place[m] = place
        motion.velocity[m] = np.zeros(2) if marks.ground_mask[m] else velocity
        motion.home[m] = place - plausibility.common_shift(
            motion.place, motion.home, motion.measured_mask & marks.ground_mask
        )
        self.appearance.learn(m, shape)
        self.appearance.pictures[m] = None
        self.appearance.cut_picture(m, luma, place, self.frame)
        self.appearance.picture_frame[m] = self.frame
        motion.known_mask[m] = motion.measured_mask[m] = True
        motion.frames_hidden[m] = 0

    def expected_appearances(self, index: NDArray[np.int64]) -> Appearances:
        """How these marks must look now."""
        hidden = self.motion.frames_hidden[index] > 0
        return self.appearance.expected_appearances(index, hidden, self.last_seen.turn[index])

    def mates_mask(self, m: int, got_mask: Mask) -> Mask:
        """Marks of m's body that are seen now and were seen with it."""
        same = self.marks.body == self.marks.body[m]
        return np.asarray(got_mask & self.last_seen.measured_mask[m] & same)

    def turn_since_seen(self, m: int, mates: Sequence[int]) -> Array | None:
        """Turn (2, 2) of the picture since m was last seen, where a single mate must show it."""
        if len(mates) != 1:
            return None
        affine, kind = self.appearance.affine[mates[0]], int(self.appearance.kinds[mates[0]])
        return self.last_seen.turn_by_mate(m, mates[0], affine, kind)

    def correct_velocity(self, place: Array, got_mask: Mask, dt: int) -> None:
        """Velocities by where marks are after `dt` frames."""
        motion = self.motion
        before = MotionBefore(
            motion.velocity, motion.place, motion.measured_mask, motion.known_mask,
            motion.fix_count, self.marks.body, self.marks.ground_mask,
            self.last_seen.measured_mask,
        )  # fmt: skip
        motion.velocity, motion.innovation = plausibility.corrected_velocity(
            before, place, got_mask, dt, motion.innovation
        )
