"""Verdicts on the requirements of a criteria set, as results hold them.

Units and conventions are those of `tracker.results.schema`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["pass", "fail", "undetermined"]
Sense = Literal["most", "least", "within"]
"""How a value must stand to its limit: at most of its size, at least it, or so near to the plan."""
Measure = Literal[
    "speed",
    "occupant_speed",
    "acceleration_g",
    "angle",
    "length",
    "mass",
    "energy",
    "time",
    "plain",
    "",
]
"""In which kind of unit a report shows a number; plain: a bare number; "": in its own unit."""


@dataclass(frozen=True)
class Criterion:
    """One requirement of the criteria set. `value`, `limit` and `u` are in `unit`."""

    name: str
    value: float | None
    limit: float | None
    unit: str
    verdict: Verdict
    source: str
    u: float | None = None
    note: str = ""
    kind: Literal["criterion", "test_condition"] = "criterion"  # test_condition: how it was run
    governs: bool = False  # the required criterion with the least margin to its limit
    preferred: bool = False  # one to be aimed at: missed, it fails no test
    sense: Sense = "most"
    measure: Measure = ""
    probability: float | None = None  # that the true value meets the limit
    at_end: bool = False  # the record ends while the value may still grow

    @property
    def margin(self) -> float | None:
        """What is left to the limit, as a share of it; None without a value."""
        if self.value is None or not self.limit:
            return None
        if self.sense == "least":
            return self.value / self.limit - 1.0
        return 1.0 - abs(self.value / self.limit)

    @property
    def word(self) -> str:
        """The verdict as people read it: a preferred limit that is missed is no failure."""
        return "not met" if self.preferred and self.verdict == "fail" else self.verdict


@dataclass(frozen=True)
class NotJudged:
    """What the standard asks for and this analysis does not judge."""

    name: str
    why: str
    kind: Literal["outside", "lacking"] = "outside"
    """outside: films and accelerometers don't show it; lacking: this record doesn't."""


@dataclass(frozen=True)
class DecisionRule:
    """How a verdict follows from a value, its uncertainty and its limit."""

    name: Literal["guarded", "simple"]
    probability: float  # that the true value meets the limit, from which "guarded" passes
    text: str  # the rule in words
