"""What tracking takes and gives."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.core.types import Tracks
from tracker.marks import Shape


class HandPlacement(Protocol):
    """A person's place for a mark in a frame."""

    @property
    def mark(self) -> str:
        """Name of the mark."""
        ...

    @property
    def frame(self) -> int:
        """The frame it was seen in."""
        ...

    @property
    def pixel(self) -> tuple[float, float]:
        """(u, v) px."""
        ...


class ExcludedSpan(Protocol):
    """Frames `first` to `last` (None: to the end) in which a mark is not to be measured."""

    @property
    def mark(self) -> str:
        """Name of the mark."""
        ...

    @property
    def first(self) -> int:
        """First frame."""
        ...

    @property
    def last(self) -> int | None:
        """Last frame, included."""
        ...


@dataclass(frozen=True)
class Corrections:
    """What a person put right by hand."""

    placements: Sequence[HandPlacement] = ()
    exclusions: Sequence[ExcludedSpan] = ()


@dataclass(frozen=True)
class TrackingResult:
    """The tracks of a camera's marks and how good each measurement was."""

    tracks: Tracks
    ratio: Array  # (frames, marks) residual over noise, 1 for a clean fit; NaN without a fit
    contrast: Array  # (frames, marks) grey; NaN without a fit
    visible: Array  # (frames, marks) visible fraction 0..1; NaN without a fit
    shapes: Mapping[str, Shape]  # how each mark looks where it was first found
    findings: tuple[Diagnostic, ...]
