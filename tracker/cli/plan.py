"""A plan in the terminal."""

from __future__ import annotations

from pathlib import Path

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from tracker.planning.numbers import points_to_check
from tracker.planning.pages import CAUTION, marks_table, numbers_table
from tracker.planning.plan import Plan
from tracker.report.blocks import TableBlock

MAIN = (
    "impact_speed",
    "impact_angle",
    "velocity_change",
    "max_pitch",
    "min_pitch",
    "max_yaw",
    "min_yaw",
    "max_rise",
    "travel_x",
    "oiv_x",
    "ridedown_x",
    "crush",
)
"""What the terminal shows; the page has everything."""


def show_plan(plan: Plan, directory: Path) -> None:
    """Marks of each camera, what to expect of each headline number, and what to look at."""
    console = Console()
    for name in plan.stands:
        console.print(_grid(f"Marks in {name}", marks_table(plan, name)))
    console.print(_grid(f"Test {plan.record.test.number}: u to expect", numbers_table(plan, MAIN)))
    notes = Console(stderr=True)
    for line in points_to_check(plan):
        notes.print(f"  {line}", highlight=False, markup=False)
    console.print(f"Plan in {directory}", highlight=False, markup=False)
    console.print(CAUTION, style="dim")


def _grid(title: str, table: TableBlock) -> Table:
    grid = Table(title=title, title_justify="left", box=SIMPLE_HEAD, pad_edge=False)
    for i, (head, letter) in enumerate(zip(table.head, table.align, strict=True)):
        least = max((len(row[i]) for row in table.rows), default=0) if i else None
        grid.add_column(head, justify="right" if letter == "r" else "left", min_width=least)
    for row in table.rows:
        grid.add_row(*row)
    return grid
