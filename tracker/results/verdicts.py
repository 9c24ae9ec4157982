"""Verdicts on the requirements of a criteria set, as results hold them.

Units and conventions are those of `tracker.results.schema`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Criterion:
    """One requirement of the criteria set. `value`, `limit` and `u` are in `unit`."""

    name: str
    value: float | None
    limit: float | None
    unit: str
    verdict: Literal["pass", "fail", "undetermined"]
    source: str
    u: float | None = None
    note: str = ""
    kind: Literal["criterion", "test_condition"] = "criterion"  # test_condition: how it was run
    governs: bool = False  # the required criterion with the least margin to its limit

    @property
    def margin(self) -> float | None:
        """What is left to the limit, as a share of it; None without a value."""
        if self.value is None or not self.limit:
            return None
        return 1.0 - abs(self.value / self.limit)

    @property
    def preferred(self) -> bool:
        """Whether the limit is one to be aimed at: missed, it fails no test."""
        return "(preferred)" in self.name or self.note.startswith("preferred")


@dataclass(frozen=True)
class NotJudged:
    """What the standard asks for and this analysis does not judge."""

    name: str
    why: str
