"""What opening a file shows of its film."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.film.findings import FaultLog
from tracker.film.luma import Luma

Frames = Iterator[tuple[int, Luma]]
"""(index, luma) one after the other."""


class FrameSource(Protocol):
    """Where frames come from."""

    @property
    def faults(self) -> FaultLog:
        """What was met while reading; it grows."""
        ...

    @property
    def starts(self) -> Sequence[int]:
        """Frames at which reading can begin without reading earlier ones, ascending from 0."""
        ...

    def read(self, first: int) -> Frames:
        """Frames from `first` to the end, ascending. Frames that can't be read are left out."""
        ...


@dataclass(frozen=True)
class OpenedFilm:
    """A source of frames and what is known before any is read."""

    source: FrameSource
    size: tuple[int, int]  # width, height, px
    bits: int
    stamps: Array  # (frames,) s or NaN
    rate: float  # 1/s or NaN
    findings: tuple[Diagnostic, ...]  # noticed on opening
