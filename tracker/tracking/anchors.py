"""Marks found at their picks."""

from __future__ import annotations

from dataclasses import dataclass, field

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.marks import Shape
from tracker.tracking.plan import StartPoint, TrackingPlan
from tracker.tracking.plausibility import Mask


@dataclass(frozen=True)
class Anchor:
    """A mark found at a pick."""

    place: Array
    shape: Shape


@dataclass(frozen=True)
class SoughtMark:
    """A mark that its pick did not give, to be looked for where its body has brought it.

    Places and mask are the state's own arrays of the pick's frame, so that marks picked later in it
    count as well.
    """

    start: StartPoint
    place: Array  # (n, 2) px of all marks in the pick's frame
    measured_mask: Mask  # (n,) which were seen then
    why: str  # why it was not found; empty for a mark outside the picture


@dataclass
class AnchorLog:
    """Marks found at their picks by (frame, mark), and what was not found; grows with the pass."""

    found: dict[tuple[int, int], Anchor] = field(default_factory=dict)
    shapes: dict[int, Shape] = field(default_factory=dict)  # of each mark when it was first found
    sought: dict[int, SoughtMark] = field(default_factory=dict)
    findings: list[Diagnostic] = field(default_factory=list)

    def note_missing(self, plan: TrackingPlan, start: StartPoint, why: str) -> None:
        """Nothing was found at a pick."""
        mark = plan.marks[start.mark]
        u, v = start.pixel
        self.findings.append(
            Diagnostic(
                "mark_not_found",
                f"no {mark.pattern} was found at ({u:.0f}, {v:.0f}) in frame {start.frame}: {why}",
                f"{plan.camera}: {mark.name}",
            )
        )
