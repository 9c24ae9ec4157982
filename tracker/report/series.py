"""The page over several tests: one content, as HTML and as PDF, with the table as CSV."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from tracker import __version__
from tracker.core.types import Quantity
from tracker.core.units import System
from tracker.report.blocks import (
    Beside,
    Block,
    Document,
    Heading,
    Part,
    Plot,
    TableBlock,
    Text,
    table,
)
from tracker.report.digits import NONE, in_report, unit_of, value_with_u
from tracker.report.html import html
from tracker.report.pdf import pdf
from tracker.report.series_plots import draw_series
from tracker.report.tables import name_with_unit, plain, significant
from tracker.report.wording import CAUTION, CRITERIA, SOURCES, UNCERTAINTY, VERDICTS
from tracker.results.schema import PROGRAM
from tracker.results.series import FIELDS, Group, Row, Statistic, repeat_groups, series_csv
from tracker.storage.atomic_folder import ready, replacing
from tracker.storage.plain_files import write_bytes, write_text

TABLE = "series.csv"
OURS = frozenset({TABLE, "series.html", "series.pdf", "pictures"})
LABELS = {
    "impact_speed": "Impact speed",
    "impact_angle": "Impact angle",
    "impact_offset": "Impact offset",
    "oiv_x": "OIV, x",
    "oiv_y": "OIV, y",
    "ridedown_x": "Ridedown, x",
    "ridedown_y": "Ridedown, y",
    "pitch": "Greatest pitch",
    "roll_ahead": "Roll-ahead",
    "crush": "Greatest crush",
    "stroke_used": "Share of stroke",
}
NOTES = {
    "oiv": "OIV: occupant impact velocity; x forward, y to the right.",
    "roll_ahead": "Roll-ahead: travel of the struck vehicle along x.",
    "crush": "Crush: greatest closing of the two vehicles.",
    "stroke": "Share of stroke: what the cushion took of the closing, over its length.",
}
SPREAD = (
    "Standard deviation: of the tests (JCGM 100:2008, 4.2.2), that of the mean after ±. Measured: "
    "root mean square of the tests' own standard uncertainties. Test to test: what of the standard "
    "deviation the measurement does not explain; 0 where it explains all."
)


def write_series(rows: Sequence[Row], directory: Path) -> None:
    """Write the series into `directory`: table, pages and plots, complete or not at all.

    Raises `Problem` (status `RECORD`) where the folder holds other things or can't be written.
    """
    with replacing(directory, TABLE, OURS) as new:
        pictures = new / "pictures"
        pictures.mkdir()
        groups = repeat_groups(rows)
        system = common_units(rows)
        plots = draw_series(rows, groups, system, LABELS, pictures)
        content = series_document(rows, groups, system, plots)
        write_text(new / TABLE, series_csv(rows))
        write_text(new / "series.html", html(content, pictures))
        write_bytes(new / "series.pdf", pdf(content, new))


def check_series(directory: Path) -> None:
    """Raise `Problem` if a series can't be written to `directory`: to be asked before the work."""
    ready(directory, TABLE)


def common_units(rows: Sequence[Row]) -> System:
    """The units of all tests' reports; SI where they differ."""
    systems = {row.report_units for row in rows}
    return systems.pop() if len(systems) == 1 else "si"


def series_document(
    rows: Sequence[Row], groups: Sequence[Group], system: System, plots: Mapping[str, str]
) -> Document:
    """The page: conditions and results of every test, repeated tests, plots, where tests lie."""
    numbers = [row.number for row in rows]
    shown = numbers[0] if len(rows) == 1 else f"{numbers[0]} to {numbers[-1]}"
    kinds = dict.fromkeys(CRITERIA.get(r.criteria, r.criteria) for r in rows if r.verdict != "none")
    judged = f" by the criteria of {', '.join(kinds)}" if kinds else ""
    summary: list[Block] = [
        Text(headline(rows, groups), "lead"),
        conditions(rows, system),
        occupants(rows, system),
        motions(rows, system),
    ]
    for number, group in enumerate(groups, 1):
        summary += [statistics(group, number, system)]
    summary += [Text(CAUTION, "caution"), Text(UNCERTAINTY, "note")]
    parts = [Part("Tests beside each other", "all tests", tuple(summary))]
    if plots:
        parts.append(Part("Plots", "all tests", tuple(_beside(plots))))
    parts.append(Part("Where the numbers come from", "for the archive", (sources(rows),)))
    return Document(
        shown,
        f"Series of {len(rows)} test{'s' if len(rows) > 1 else ''}",
        f"Film analysis{judged}",
        f"{PROGRAM} {__version__}",
        "us-letter" if system == "us" else "a4",
        tuple(parts),
        "Test" if len(rows) == 1 else "Tests",
    )


def headline(rows: Sequence[Row], groups: Sequence[Group]) -> str:
    """What came out, in a few sentences."""
    counts = {v: sum(r.verdict == v for r in rows) for v in ("pass", "fail", "undetermined")}
    judged = sum(counts.values())
    verdicts = (
        f"Of {judged} judged test{'s' if judged > 1 else ''}, {counts['pass']} passed, "
        f"{counts['fail']} failed, {counts['undetermined']} undetermined."
        if judged
        else "No criteria were compared."
    )
    again = sum(len(group.rows) for group in groups)
    return f"{verdicts} {again} tests repeat another's conditions." if again else verdicts


def conditions(rows: Sequence[Row], system: System) -> TableBlock:
    """The impact conditions of each test, intended and achieved."""
    mass, factor = unit_of("mass", system)
    speed, angle, offset = (
        unit_of(FIELDS[name], system) for name in ("impact_speed", "impact_angle", "impact_offset")
    )
    head = (
        "test",
        name_with_unit("mass", mass),
        name_with_unit("struck", mass),
        name_with_unit("plan", speed[0]),
        name_with_unit("speed", speed[0]),
        name_with_unit("plan", angle[0]),
        name_with_unit("angle", angle[0]),
        name_with_unit("plan", offset[0]),
        name_with_unit("offset", offset[0]),
    )
    lines = [
        (
            row.number,
            _mass(row.mass, factor),
            _mass(row.struck_mass, factor),
            _plan(row.intended.speed, speed[1]),
            _cell(row, "impact_speed", system),
            _plan(row.intended.angle, angle[1]),
            _cell(row, "impact_angle", system),
            _plan(row.intended.offset, offset[1]),
            _cell(row, "impact_offset", system),
        )
        for row in rows
    ]
    return table(
        "Impact conditions: masses of the striking and the struck vehicle; plan: what was intended",
        head,
        lines,
        "lrrrcrcrc",
    )


def occupants(rows: Sequence[Row], system: System) -> TableBlock:
    """Occupant risk of each test: those numbers that at least one test has."""
    return _outcomes("Occupant risk", rows, ("oiv_x", "oiv_y", "ridedown_x", "ridedown_y"), system)


def motions(rows: Sequence[Row], system: System) -> TableBlock:
    """Pitch, roll-ahead and crush of each test, as far as one test has them, and the verdict."""
    found = _outcomes(
        "Motion and verdict", rows, ("pitch", "roll_ahead", "crush", "stroke_used"), system
    )
    lines = tuple(
        (*line, VERDICTS.get(row.verdict, NONE)) for line, row in zip(found.rows, rows, strict=True)
    )
    return replace(found, head=(*found.head, "verdict"), rows=lines, align=found.align + "l")


def _outcomes(
    caption: str, rows: Sequence[Row], wanted: Sequence[str], system: System
) -> TableBlock:
    names = [name for name in wanted if _is_known(rows, name)]
    head = (
        "test",
        *(name_with_unit(LABELS[name], unit_of(FIELDS[name], system)[0]) for name in names),
    )
    lines = [(row.number, *(_cell(row, name, system) for name in names)) for row in rows]
    note = " ".join(
        text for start, text in NOTES.items() if any(n.startswith(start) for n in names)
    )
    return table(caption, head, lines, "l" + "c" * len(names), note)


def statistics(group: Group, number: int, system: System) -> TableBlock:
    """Mean and scatter of repeated tests."""
    lines = []
    for name, found in group.statistics.items():
        unit, factor = unit_of(FIELDS[name], system)
        lines.append(
            (
                name_with_unit(LABELS[name], unit),
                str(found.count),
                value_with_u(found.mean * factor, found.u_mean * factor),
                *(_spread(found, what, factor) for what in ("deviation", "measurement", "between")),
            )
        )
    tests = ", ".join(row.number for row in group.rows)
    return table(
        f"Repeated tests, group {number}: {tests}",
        ("", "tests", "mean", "standard deviation", "measured", "test to test"),
        lines,
        "lrcrrr",
        SPREAD,
    )


def sources(rows: Sequence[Row]) -> TableBlock:
    """Where each test lies and where its occupant numbers come from."""
    lines = [
        (
            row.number,
            row.title or NONE,
            CRITERIA.get(row.criteria, row.criteria),
            SOURCES.get(row.source, NONE),
            row.folder.as_posix(),
        )
        for row in rows
    ]
    head = ("test", "title", "criteria", "occupant risk from", "results folder")
    return table("Tests", head, lines, "llllm")


def _beside(plots: Mapping[str, str]) -> list[Block]:
    """Plots of numbers in pairs, plots of curves in full width."""
    numbers = [Plot(name, text) for name, text in plots.items() if name in FIELDS]
    curves = [Plot(name, text) for name, text in plots.items() if name not in FIELDS]
    pairs = [numbers[i : i + 2] for i in range(0, len(numbers), 2)]
    blocks: list[Block] = [Beside(tuple(pair[:1]), tuple(pair[1:])) for pair in pairs]
    return [*blocks, Heading("Force against crush"), *curves] if curves else blocks


def _is_known(rows: Sequence[Row], name: str) -> bool:
    return any(row.values[name] is not None for row in rows)


def _cell(row: Row, name: str, system: System) -> str:
    value: Quantity | None = row.values[name]
    return in_report(value, FIELDS[name], system)


def _mass(mass: float | None, factor: float) -> str:
    return NONE if mass is None else f"{mass * factor:.0f}"


def _plan(value: float | None, factor: float) -> str:
    return NONE if value is None else plain(value * factor)


def _spread(found: Statistic, what: str, factor: float) -> str:
    value = float(getattr(found, what)) * factor
    return significant(value) if value > 0 else "0"
