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


@dataclass
class AnchorLog:
    """Marks found at their picks by (frame, mark), and what was not found; grows with the pass."""

    found: dict[tuple[int, int], Anchor] = field(default_factory=dict)
    shapes: dict[int, Shape] = field(default_factory=dict)  # of each mark when it was first found
    outside: dict[int, tuple[Array, Mask]] = field(default_factory=dict)
    """Marks outside the picture at their pick: places of all marks in that frame, and which were
    seen. The state's own arrays of that frame, so that marks picked later in it count as well."""
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
