"""One thing that a check of a record has looked at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

State = Literal["ok", "doubtful", "missing"]


@dataclass(frozen=True)
class Check:
    """One thing looked at: what it is about, where, and whether it will do."""

    state: State
    where: str
    text: str
