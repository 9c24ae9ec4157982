"""What a person sees in the terminal of several tests: one line a test."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from tracker.report.digits import NONE, rounded, unit_of
from tracker.report.series import LABELS, common_units
from tracker.series import FIELDS, Row
from tracker.units import System
from tracker.values import Quantity

NARROW = {"ridedown_x": "Ridedown", "pitch": "Pitch", "crush": "Crush", "impact_speed": "Speed"}
SHOWN = ("impact_speed", "oiv_x", "ridedown_x", "pitch", "roll_ahead", "crush")


def show_series(rows: Sequence[Row], console: Console | None = None) -> None:
    """A table of the tests: the numbers that are asked for first, and the verdict."""
    system = common_units(rows)
    table = Table(
        title=f"{len(rows)} test{'s' if len(rows) != 1 else ''}",
        title_justify="left",
        caption="in brackets: the standard uncertainty of the last digits",
        caption_justify="left",
    )
    table.add_column("test", overflow="fold")
    for name in SHOWN:
        unit, _ = unit_of(FIELDS[name], system)
        table.add_column(f"{NARROW.get(name, LABELS[name])}\n{unit}", justify="right")
    table.add_column("verdict", no_wrap=True)
    for row in rows:
        numbers = [short(row.values[name], FIELDS[name], system) for name in SHOWN]
        table.add_row(Text(row.number), *numbers, row.verdict)
    (console or Console()).print(table)


def short(quantity: Quantity | None, kind: str, system: System) -> str:
    """A quantity in the report's unit, as "61.40(12)" (JCGM 100:2008, 7.2.2)."""
    if quantity is None:
        return NONE
    _, factor = unit_of(kind, system)
    value, u = rounded(quantity.value * factor, quantity.u * factor)
    if not u:
        return value
    digits = u.replace(".", "").lstrip("0") if float(u) < 1 else u
    return f"{value}({digits})"
