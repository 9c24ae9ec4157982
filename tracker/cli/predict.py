"""What a person sees in the terminal of a prediction."""

from __future__ import annotations

from collections.abc import Sequence

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from tracker.cli.progress import CAUTION
from tracker.cli.series import stacked_text
from tracker.mechanics.predict import Prediction
from tracker.report.digits import unit_of
from tracker.report.tables import plain
from tracker.results.schema import Results

SHOWN = (
    ("oiv_x", "OIV, x", "occupant_speed"),
    ("oiv_time", "at", "time"),
    ("ridedown_x", "Ridedown", "acceleration_g"),
    ("closing", "Closing", "length"),
    ("stroke_used", "Stroke", "plain"),
    ("roll_ahead", "Roll-ahead", "length"),
)
MODEL = (
    "Two masses along ground x, head-on, the force as the test's film gives it. Below each number "
    "its standard uncertainty."
)


def show_predictions(
    results: Results, predictions: Sequence[Prediction], console: Console | None = None
) -> None:
    """A table with a row for each case, then each case's limits and what can't be predicted."""
    console = console or Console()
    system = results.test.report_units
    (kg, mass), (mps, speed) = (unit_of(kind, system) for kind in ("mass", "speed"))
    table = Table(
        title=f"From test {results.test.number}",
        title_justify="left",
        caption=MODEL,
        caption_justify="left",
        box=SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
    )
    for label in (f"Mass\n{kg}", f"Speed\n{mps}", f"Truck\n{kg}"):
        table.add_column(label, justify="right", no_wrap=True)
    shown = [s for s in SHOWN if any(p.figures.get(s[0]) is not None for p in predictions)]
    for _, label, kind in shown:
        table.add_column(f"{label}\n{unit_of(kind, system)[0]}", justify="right", no_wrap=True)
    for p in predictions:
        truck = "blocked" if p.struck_mass is None else f"{p.struck_mass * mass:.0f}"
        numbers = [stacked_text(p.figures.get(name), kind, system) for name, _, kind in shown]
        table.add_row(
            f"{p.case.mass * mass:.0f}", plain(round(p.case.speed * speed, 2)), truck, *numbers
        )
    console.print(table)
    for p in predictions:
        console.print(
            f"{p.case.mass * mass:.0f} {kg}, {plain(round(p.case.speed * speed, 2))} {mps}:",
            highlight=False,
        )
        for criterion in p.criteria:
            console.print(
                f"  {criterion.word:<13}{criterion.name}: {criterion.note}",
                highlight=False,
                markup=False,
            )
        for note in p.notes:
            console.print(f"  note: {note}", highlight=False, markup=False)
    console.print(CAUTION, style="dim")
