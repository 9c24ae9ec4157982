"""What a report says beside its numbers: its own fields, and what was assumed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class ReportFields:
    """The report's own fields, as the record gives them; an empty one is a line to fill in."""

    laboratory: str = ""
    address: str = ""
    client: str = ""
    article: str = ""
    site: str = ""
    number: str = ""
    revision: str = ""
    issued: str = ""  # ISO 8601
    analysed_by: str = ""
    checked_by: str = ""
    approved_by: str = ""
    weather: str = ""
    method: str = ""
    deviations: str = ""


@dataclass(frozen=True)
class Assumption:
    """A value that enters the numbers and was not measured in this test."""

    what: str
    where: str  # key of the record that would state it; empty where there is none
    value: float | None  # in `unit`; None where `text` says it
    unit: str
    origin: Literal["default", "record"]
    text: str = ""  # what it does, in a sentence; instead of a value, the value in words
