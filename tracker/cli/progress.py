"""What a person sees in the terminal: progress while it runs, a short table when it is done.

Progress and warnings go to standard error, results to standard output.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TaskID,
    TextColumn,
    TimeRemainingColumn,
)
from rich.table import Table
from rich.text import Text

from tracker.core.types import Quantity
from tracker.core.units import System
from tracker.pipeline.check_result import Check
from tracker.results.after_contact import ArticleFigure
from tracker.results.headline import Headline, Row, headline_cells, headline_of, headline_rows
from tracker.results.schema import Results, VehicleResult

CAUTION = (
    "For engineers who answer for the test: these numbers do not replace the test standard, local "
    "codes, the accredited laboratory or a licensed engineer's judgement."
)


class Rate(ProgressColumn):
    """Steps per second, where a stage has enough of them."""

    def render(self, task: Task) -> Text:
        """The rate as text."""
        return Text(f"{task.speed:.0f}/s" if task.speed else "")


class LiveBars:
    """Bars on standard error that are drawn while a block runs."""

    def __init__(self, *columns: ProgressColumn, console: Console | None = None) -> None:
        self.console = console or Console(stderr=True)
        self.bars = Progress(*columns, console=self.console)

    def __enter__(self) -> Self:
        self.bars.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.bars.stop()


class Bars(LiveBars):
    """A progress bar for each stage, with rate and time left."""

    def __init__(self) -> None:
        super().__init__(
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            Rate(),
            TimeRemainingColumn(),
        )
        self._stages: dict[str, TaskID] = {}

    def progress(self, stage: str, done: int, total: int) -> None:
        """A `tracker.core.types.Progress`."""
        if stage not in self._stages:
            self._stages[stage] = self.bars.add_task(stage, total=total or None)
        self.bars.update(self._stages[stage], completed=done, total=total or None)

    def show_headline(self, headline: Headline) -> None:
        """The numbers of the films above the bars, while the rest is computed."""
        share = 100 / math.sqrt(2 * headline.draws)
        title = f"Test {headline.number}: first numbers, u to {share:.0f} %"
        rows = headline_rows(headline.vehicles, headline.crush)
        self.console.print(_headline_table(title, rows, headline.report_units))


def show_check(checks: Sequence[Check]) -> None:
    """What a check of a record found, one line each, the serious last."""
    console = Console()
    for state in ("ok", "doubtful", "missing"):
        for check in checks:
            if check.state == state:
                console.print(
                    f"{state:<9} {check.where}: {check.text}", highlight=False, markup=False
                )


def show_results(results: Results, directory: Path) -> None:
    """The headline numbers, verdicts and warnings of a test."""
    console = Console()
    rows = headline_of(results)
    console.print(_headline_table(f"Test {results.test.number}", rows, results.test.report_units))
    for criterion in results.criteria:
        console.print(f"  {criterion.word:<13}{criterion.name}", highlight=False)
    for vehicle, check in results.cross_check.items():
        console.print(f"  {vehicle}: film and accelerometers {check.verdict}", highlight=False)
    notes = Console(stderr=True)
    for warning in results.warnings:
        notes.print(f"  {warning.where}: {warning.text}", highlight=False, markup=False)
    console.print(f"Results in {directory}", highlight=False)
    console.print(CAUTION, style="dim")


def _headline_table(title: str, rows: list[Row], system: System) -> Table:
    table = Table(title=title, title_justify="left")
    for column in ("", "value", "u (k = 1)", "unit"):
        table.add_column(column, justify="left" if column in ("", "unit") else "right")
    for cells in headline_cells(rows, system):
        table.add_row(*cells)
    return table


def show_demo(results: Results, truth: Mapping[str, float]) -> None:
    """One line a headline number of the demonstration: film, accelerometer, truth."""
    console = Console()
    table = Table(title="Film and accelerometer beside the truth (SI)", title_justify="left")
    for column in ("", "film", "accelerometer", "truth"):
        table.add_column(column, justify="left" if not column else "right")
    for label, film, accelerometer, true in truth_rows(results, truth):
        table.add_row(label, _quantity_text(film), _quantity_text(accelerometer), f"{true:.4f}")
    console.print(table)


def truth_rows(
    results: Results, truth: Mapping[str, float]
) -> list[tuple[str, Quantity | ArticleFigure | None, Quantity | None, float]]:
    """Label, film, accelerometer and truth of each headline number whose truth is known.

    Keys of `truth` are "vehicle.name" with the names of `results.json`, or "crush.max_dynamic".
    """
    rows = []
    for key, true in truth.items():
        vehicle, _, name = key.partition(".")
        film: Quantity | ArticleFigure | None = None
        accelerometer = None
        part, _, field = name.partition(".")
        if vehicle == "article":
            film = getattr(results.article, name, None)
        elif field and vehicle in results.vehicles:
            film = _after_contact(results.vehicles[vehicle], part, field)
        elif vehicle == "crush":
            film = results.crush.max_dynamic if results.crush else None
        elif vehicle in results.vehicles:
            of = results.vehicles[vehicle]
            film = getattr(of, name, None) or getattr(of.occupant.film, name, None)
            accelerometer = getattr(of.occupant.accelerometer, name, None)
        rows.append((key.replace(".", ": ").replace("_", " "), film, accelerometer, true))
    return rows


def _after_contact(entry: VehicleResult, part: str, field: str) -> Quantity | None:
    """A number at the loss of contact or of the place of rest."""
    leaves = entry.exit
    if (part, field) == ("exit", "time"):
        return None if leaves is None else Quantity(leaves.time, "s", leaves.time_u)
    found = getattr(getattr(entry, part), field, None)
    return found if isinstance(found, Quantity) else None


def _quantity_text(quantity: Quantity | ArticleFigure | None) -> str:
    if quantity is None:
        return ""
    digits = max(0, 1 - int(f"{quantity.u:e}".split("e")[1])) if quantity.u > 0 else 4
    return f"{quantity.value:.{digits}f} ± {quantity.u:.{digits}f} {quantity.unit}"
