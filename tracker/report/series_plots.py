"""Plots over several tests: every number with its error bar, and force against crush."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibration.arrays import Array
from tracker.core.units import System
from tracker.report.digits import unit_of
from tracker.report.pdf import plot_pdf
from tracker.report.plots import PlotFigure
from tracker.report.style import (
    BOTTOM,
    COVERAGE,
    INK,
    LEFT,
    LINES,
    NARROW,
    RIGHT,
    SOFT,
    TOP,
    WIDTH,
    Line,
    curve,
    style,
)
from tracker.report.tables import name_with_unit
from tracker.results.csv import columns_csv
from tracker.results.series import FIELDS, Group, Row
from tracker.storage.plain_files import write_bytes, write_text

HEIGHT, OVERLAY = 2.4, 2.9  # in
NAMES = 0.55  # in: room for tests' numbers below the axes
ROOM = 10  # characters of a test's number
MANY = 16  # tests that half a page has room to name one by one
ALONE = Line(INK, "-", "x")


def draw_series(
    rows: Sequence[Row],
    groups: Sequence[Group],
    system: System,
    labels: Mapping[str, str],
    folder: Path,
) -> dict[str, str]:
    """Draw all plots into `folder` as SVG and PDF, data as CSV; captions by name."""
    captions = {}
    with style():
        for plot in _all(rows, groups, system, labels):
            stem = folder / plot.name
            plot.figure.savefig(stem.with_suffix(".svg"), metadata={"Date": None})
            write_bytes(stem.with_suffix(".pdf"), plot_pdf(f"{plot.name}.svg", folder))
            text = columns_csv(plot.data)
            write_text(stem.with_suffix(".csv"), text)
            captions[plot.name] = plot.caption
    return captions


def _all(
    rows: Sequence[Row], groups: Sequence[Group], system: System, labels: Mapping[str, str]
) -> Iterator[PlotFigure]:
    for name in FIELDS:
        if any(row.values[name] is not None for row in rows):
            yield _numbers(name, rows, groups, system, labels[name])
    grouped = [row for group in groups for row in group.rows]
    ordered = [*grouped, *(row for row in rows if row not in grouped)]
    with_curve = [row for row in ordered if row.curve is not None]
    for number, first in enumerate(range(0, len(with_curve), len(LINES)), 1):
        yield _overlay(f"force-{number}", with_curve[first : first + len(LINES)], system)


def _numbers(
    name: str, rows: Sequence[Row], groups: Sequence[Group], system: System, label: str
) -> PlotFigure:
    """One number over all tests with 95 % error bars, and the mean of repeated tests."""
    unit, factor = unit_of(FIELDS[name], system)
    value, u = _columns(name, rows, factor)
    figure, axes = _axes(HEIGHT, NARROW, NAMES)
    places = np.arange(len(rows), dtype=float)
    alone = np.ones(len(rows), dtype=bool)
    for number, group in enumerate(groups):
        mine = np.array([row in group.rows for row in rows])
        line = LINES[number % len(LINES)]
        _bars(axes, places[mine], value[mine], u[mine], line)
        alone &= ~mine
        if name in group.statistics:
            ends = places[mine][[0, -1]] + [-0.3, 0.3]
            mean = group.statistics[name].mean * factor
            axes.plot(ends, [mean, mean], color=line.colour, linestyle=line.dashes, linewidth=0.9)
    _bars(axes, places[alone], value[alone], u[alone], ALONE)
    _name_tests(axes, [row.number for row in rows])
    axes.set_title(name_with_unit(label, unit), loc="left")
    axes.margins(y=0.12)
    lines = " Lines: means of repeated tests." if groups else ""
    caption = f"{label} of each test with 95 % error bars.{lines}"
    data = {
        "test": places + 1.0,
        name_with_unit(name, unit): value,
        name_with_unit(f"u_{name}", unit): u,
    }
    return PlotFigure(name, caption, figure, data)


def _overlay(name: str, rows: Sequence[Row], system: System) -> PlotFigure:
    """Force against crush of at most as many tests as there are ways to draw a line."""
    length, metres = unit_of("length", system)
    force, newtons = unit_of("force", system)
    figure, axes = _axes(OVERLAY, WIDTH, BOTTOM)
    data: dict[str, Array] = {}
    longest = max(len(row.curve.crush) for row in rows if row.curve is not None)
    for row, line in zip(rows, LINES, strict=False):
        if row.curve is None:
            continue
        found, shown = row.curve, _short(row.number)
        curve(axes, found.crush * metres, found.force * newtons, found.u * newtons, line, shown)
        for what, column in (
            (f"crush of {row.number} ({length})", found.crush * metres),
            (f"force of {row.number} ({force})", found.force * newtons),
            (f"u of force of {row.number} ({force})", found.u * newtons),
        ):
            key = what if what not in data else f"{what}, {len(data)}"
            data[key] = np.pad(column, (0, longest - len(column)), constant_values=np.nan)
    axes.set_xlabel(f"crush ({length})")
    axes.set_title(f"Force along x ({force})", loc="left")
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=len(LINES))
    axes.margins(x=0.01)
    tests = ", ".join(row.number for row in rows)
    caption = (
        f"Force (mass of the striking vehicle times deceleration of its cg, from film) against "
        f"crush up to its greatest, with 95 % bands: {tests}."
    )
    return PlotFigure(name, caption, figure, data)


def _columns(name: str, rows: Sequence[Row], factor: float) -> tuple[Array, Array]:
    known = [row.values[name] for row in rows]
    value = np.array([np.nan if q is None else q.value * factor for q in known])
    return value, np.array([np.nan if q is None else q.u * factor for q in known])


def _bars(axes: Axes, places: Array, value: Array, u: Array, line: Line) -> None:
    axes.errorbar(
        places,
        value,
        yerr=COVERAGE * np.nan_to_num(u),
        fmt=line.marker,
        color=line.colour,
        markersize=4.0,
        markerfacecolor="white",
        markeredgewidth=1.0,
        elinewidth=1.0,
        capsize=2.5,
    )


def _name_tests(axes: Axes, numbers: Sequence[str]) -> None:
    step = -(-len(numbers) // MANY)
    shown = [_short(number) for number in numbers[::step]]
    axes.set_xticks(np.arange(len(numbers))[::step], shown, rotation=45, ha="right")
    axes.set_xlim(-0.6, len(numbers) - 0.4)
    axes.grid(visible=False, axis="x")
    axes.tick_params(axis="x", color=SOFT, length=2.0, pad=1.0)


def _short(number: str) -> str:
    """A test's number that fits below an axis; `$` would start a formula."""
    short = number if len(number) <= ROOM else f"{number[: ROOM - 1]}…"
    return short.replace("$", r"\$")


def _axes(height: float, width: float, below: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width, height))
    left, right = LEFT / width, 1 - RIGHT / width
    bottom, top = below / height, 1 - TOP / height
    return figure, figure.add_axes((left, bottom, right - left, top - bottom))
