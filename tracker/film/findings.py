"""Faults of a film's frame sequence: dropped, repeated and unusable frames, as sentences."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.film.luma import Luma
from tracker.film.options import FILM

_SAMPLE = (slice(8, None, 37), slice(5, None, 29))
"""Pixels by which frames are compared: one in a thousand, off the grid of coded blocks."""


class FaultLog:
    """Faults that a film's reader meets, each once, in the order of their first meeting, and how
    coarsely each frame that it read was coded.
    """

    def __init__(self) -> None:
        self._entries: dict[str, Diagnostic] = {}
        self._steps: dict[int, float] = {}

    def note(self, fault: Diagnostic, key: str | None = None) -> None:
        """Add a fault; one with the `key` of an earlier one replaces it."""
        self._entries[key or f"{fault.code} {fault.text}"] = fault

    def note_step(self, frame: int, step: float) -> None:
        """Note the step (grey) to which a frame's transforms were rounded; NaN: none is known."""
        if step > 0:
            self._steps[frame] = step

    def step(self, frame: int) -> float:
        """That step of a frame; 0 where the film is not coded, or doesn't state it."""
        return self._steps.get(frame, 0.0)

    @property
    def entries(self) -> tuple[Diagnostic, ...]:
        """The faults so far."""
        return tuple(self._entries.values())


def frames_text(frames: Sequence[int]) -> str:
    """The frame numbers as text, the first few of many."""
    text = ", ".join(str(frame) for frame in frames[: FILM.frames_named])
    more = len(frames) - FILM.frames_named
    return f"{text} and {more} more" if more > 0 else text


def stamp_gaps(stamps: Array, tick: float, where: str) -> list[Diagnostic]:
    """Gaps and disorder of time stamps (n,) in s that are multiples of `tick` s.

    A gap is a step longer than `gap_steps` times the usual one. Rounding to the tick alone
    makes no gap.
    """
    steps = np.diff(stamps)
    if len(steps) < 2 or not np.all(np.isfinite(stamps)):
        return []
    if np.any(steps <= 0):
        frames = [int(i) for i in np.flatnonzero(steps <= 0) + 1]
        text = f"the time stamps don't increase at frames {frames_text(frames)}"
        return [Diagnostic("stamps_disordered", text, where)]
    usual = float(np.median(steps))
    whole = abs(usual / tick - round(usual / tick)) < FILM.tick_tolerance and usual > 2 * tick
    gap = FILM.gap_steps * usual + (0.0 if whole else tick)
    missing = np.where(steps > gap, np.rint(steps / usual) - 1, 0).astype(int)
    if not missing.any():
        return []
    at = [int(i) for i in np.flatnonzero(missing)]
    text = f"{int(missing.sum())} frames are missing, after frames {frames_text(at)}"
    return [Diagnostic("frames_dropped", text, where)]


def number_gaps(numbers: Sequence[int | None], where: str) -> list[Diagnostic]:
    """Gaps in the numbers of numbered pictures."""
    given = [number for number in numbers if number is not None]
    if len(given) != len(numbers) or len(given) < 3:
        return []
    steps = np.diff(given)
    usual = int(np.median(steps))
    if usual <= 0:
        return []
    at = [int(i) for i in np.flatnonzero(steps > usual)]
    if not at:
        return []
    lacking = int(np.sum(steps[at] // usual - 1))
    text = f"{lacking} numbers are missing among the pictures, after frames {frames_text(at)}"
    return [Diagnostic("frames_dropped", text, where)]


class RepeatDetector:
    """Notices frames of a forward pass that are copies of the one before.

    Only a sample of the pixels is compared: the noise of a camera never repeats.
    """

    def __init__(self) -> None:
        self.last = -2
        self.sample: Luma | None = None
        self.seen = 0
        self.frames: list[int] = []

    def add_frame(self, index: int, luma: Luma) -> None:
        """Compare one frame with the one before; frames must come in ascending order."""
        sample = luma[_SAMPLE].copy()
        self.seen += 1
        if (
            self.sample is not None
            and index == self.last + 1
            and np.array_equal(sample, self.sample)
        ):
            self.frames.append(index)
        self.last, self.sample = index, sample

    def findings(self, where: str) -> list[Diagnostic]:
        """The copies. Of a film without noise in which little moves, none is reported."""
        if not self.frames or len(self.frames) > self.seen // 2:
            return []
        text = f"{len(self.frames)} frames repeat the one before: {frames_text(self.frames)}"
        return [Diagnostic("frames_repeated", text, where)]
