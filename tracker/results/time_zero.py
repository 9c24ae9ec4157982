"""What time zero rests on, as results hold it."""

from __future__ import annotations

from dataclasses import dataclass

from tracker.core.types import Quantity


@dataclass(frozen=True)
class ZeroEvidence:
    """One piece of evidence for the moment of contact, and what became of it."""

    name: str  # "time zero of <cameras>", "motion of <vehicle>"
    moment: Quantity  # s, when it says contact was, time zero being that by all evidence
    weight: float  # 1, its share of time zero by all evidence
    sound: float  # 1, the probability that it isn't wrong


@dataclass(frozen=True)
class TimeZeroResult:
    """Time zero by all evidence: its u, s, and each piece. Time in the results counts from it."""

    u: float
    sources: tuple[ZeroEvidence, ...] = ()
