"""What a person sees in the terminal of several tests: the numbers asked for first."""

from __future__ import annotations

from collections.abc import Sequence

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from tracker.core.types import Quantity
from tracker.core.units import System
from tracker.report.digits import round_with_u, unit_of
from tracker.report.series import common_units
from tracker.results.series import FIELDS, Row

SHOWN = {
    "impact_speed": "Speed",
    "oiv_x": "OIV, x",
    "ridedown_x": "Ridedown",
    "pitch": "Pitch",
    "roll_ahead": "Roll-ahead",
    "crush": "Crush",
}


def show_series(rows: Sequence[Row], console: Console | None = None) -> None:
    """A table of the tests: each number with its standard uncertainty below it, and the verdict."""
    system = common_units(rows)
    table = Table(
        title=f"{len(rows)} test{'s' if len(rows) != 1 else ''}",
        title_justify="left",
        caption="Below each number its standard uncertainty.",
        caption_justify="left",
        box=SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
    )
    table.add_column("test", overflow="fold")
    for name, label in SHOWN.items():
        unit, _ = unit_of(FIELDS[name], system)
        table.add_column(f"{label}\n{unit}", justify="right", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    for row in rows:
        numbers = [stacked_text(row.values[name], FIELDS[name], system) for name in SHOWN]
        table.add_row(Text(row.number), *numbers, row.verdict)
    (console or Console()).print(table)


def stacked_text(quantity: Quantity | None, kind: str, system: System) -> str:
    """A quantity in the report's unit, its standard uncertainty in the line below."""
    if quantity is None:
        return "–"
    _, factor = unit_of(kind, system)
    return "\n".join(round_with_u(quantity.value * factor, quantity.u * factor))
