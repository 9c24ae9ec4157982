"""What a record says for the report alone: who made it, for whom, and how it is numbered."""

from __future__ import annotations

import datetime
from typing import Annotated

from pydantic import BeforeValidator

from tracker.core.units import brief
from tracker.record.types import Table, refuse

LONGEST = 1000  # characters of one entry


def _free(value: object) -> str:
    """Text that may be empty: the report then leaves a line to fill in."""
    if not isinstance(value, str):
        refuse(f"{brief(value)} is not text", "write it in quotes")
    if len(value) > LONGEST or not value.replace("\n", "").isprintable():
        refuse(
            f"{brief(value)} can't stand in a report",
            f"write at most {LONGEST} printable characters",
        )
    return value.strip()


Free = Annotated[str, BeforeValidator(_free)]


class ReportEntry(Table):
    """The report's own fields. What is empty or absent becomes a blank line to fill in."""

    laboratory: Free = ""
    address: Free = ""
    client: Free = ""
    article: Free = ""
    site: Free = ""
    number: Free = ""
    revision: Free = ""
    issued: datetime.date | None = None
    analysed_by: Free = ""
    checked_by: Free = ""
    approved_by: Free = ""
    weather: Free = ""
    method: Free = ""
    deviations: Free = ""
