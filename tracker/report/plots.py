"""The plots of a report, drawn from the results; each comes with its data as a table."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from calibration.arrays import Array
from tracker.core.types import STATE, Motion
from tracker.core.units import System, report_unit
from tracker.report.lens import lens_plot
from tracker.report.mechanics import force_plot
from tracker.report.pdf import plot_pdf
from tracker.report.plan_view import plan_view
from tracker.report.relative_turn import relative_turns
from tracker.report.style import LINES, NARROW, SOFT, SOURCES, WIDTH, curve, finish, panels, style
from tracker.results.calibrations import TargetResult
from tracker.results.csv import columns_csv
from tracker.results.roles import striking
from tracker.results.schema import Curve, Results
from tracker.storage.plain_files import write_bytes, write_text

COLUMN = {name: i for i, name in enumerate(STATE)}
SMALL = "-small"  # ends the name of a plot that is half a page wide


@dataclass(frozen=True)
class PlotFigure:
    """A plot: its name as a file, its caption, the figure and the data in report units."""

    name: str
    caption: str
    figure: Figure
    data: Mapping[str, Array]


@dataclass(frozen=True)
class Panel:
    """What one plot of a motion shows: columns of STATE and their names, axes by axes."""

    key: str
    title: str
    kind: str
    rows: tuple[tuple[tuple[str, str], ...], ...]


PANELS = (
    Panel(
        "displacement",
        "displacement from time zero",
        "length",
        (
            (("x_m", "x, along the path"),),
            (("y_m", "y, to the right"), ("z_m", "z, down")),
        ),
    ),
    Panel(
        "velocity",
        "velocity",
        "speed",
        (
            (("vx_mps", "x, along the path"),),
            (("vy_mps", "y, to the right"), ("vz_mps", "z, down")),
        ),
    ),
    Panel(
        "attitude",
        "change of attitude",
        "angle",
        (
            (
                ("pitch_rad", "pitch, nose up +"),
                ("yaw_rad", "yaw, right +"),
                ("roll_rad", "roll, right +"),
            ),
        ),
    ),
    Panel(
        "acceleration",
        "acceleration of the cg",
        "acceleration",
        (
            (("ax_mps2", "x, along the path"),),
            (("ay_mps2", "y, to the right"), ("az_mps2", "z, down")),
        ),
    ),
)
DIRECTIONS = {"x": "forward", "y": "to the right", "z": "down"}


def draw_plots(results: Results, folder: Path) -> dict[str, str]:
    """Draw all plots into `folder` as SVG and PDF, their data as CSV; captions by name."""
    captions = {}
    with style():
        for plot in _all(results):
            stem = folder / plot.name
            plot.figure.savefig(stem.with_suffix(".svg"), metadata={"Date": None})
            captions[plot.name] = plot.caption
            if not plot.name.endswith(SMALL):
                table = columns_csv(plot.data)
                write_text(stem.with_suffix(".csv"), table)
                write_bytes(stem.with_suffix(".pdf"), plot_pdf(f"{plot.name}.svg", folder))
    return captions


def _all(results: Results) -> Iterable[PlotFigure]:
    """Every plot that the results have data for."""
    system = results.test.report_units
    found: list[PlotFigure | None] = []
    for vehicle, motion in results.motion.items():
        found += [_motion(vehicle, motion, panel, system, WIDTH) for panel in PANELS]
        small = [panel for panel in PANELS if panel.key in ("velocity", "attitude")]
        small = small if vehicle == striking(results) else []
        found += [_motion(vehicle, motion, panel, system, NARROW) for panel in small]
    for vehicle in results.vehicles:
        mine = [c for c in results.curves if c.of == vehicle and len(c.time)]
        for quantity in dict.fromkeys(c.quantity for c in mine):
            chosen = [c for c in mine if c.quantity == quantity]
            found.append(_comparison(vehicle, quantity, chosen, system, WIDTH))
            if quantity == "velocity_x" and vehicle == striking(results):
                found.append(_comparison(vehicle, quantity, chosen, system, NARROW))
    found += [PlotFigure(*turn) for turn in relative_turns(results)]
    if (force := force_plot(results)) is not None:
        found.append(PlotFigure(*force))
    if (plan := plan_view(results)) is not None:
        found.append(PlotFigure(*plan))
    for camera, entry in results.cameras.items():
        found.append(_steadiness(camera, results.curves))
        targets = {} if entry.calibration is None else entry.calibration.targets
        found.append(_survey(camera, targets))
        if (fit := lens_plot(camera, results.views.get(camera))) is not None:
            found.append(PlotFigure(*fit))
    return (plot for plot in found if plot is not None)


def _name(name: str, width: float) -> str:
    return name if width == WIDTH else name + SMALL


def _height(rows: int, width: float) -> float:
    """Height of a plot, in: plots of half a page stand side by side and are of one height."""
    return 2.15 if width == NARROW else (2.1, 2.95)[rows - 1]


def _motion(
    vehicle: str, motion: Motion, panel: Panel, system: System, width: float
) -> PlotFigure | None:
    unit, factor = report_unit(panel.kind, system)
    rows = [
        [(name, label) for name, label in row if motion.observed_mask[:, COLUMN[name]].any()]
        for row in panel.rows
    ]
    rows = [row for row in rows if row][: None if width == WIDTH else 1]
    if not rows:
        return None
    shares = (1.6, 1.0)[: len(rows)]
    figure, axes = panels(_height(len(rows), width), shares, width)
    data: dict[str, Array] = {"time_s": motion.time}
    lines = iter(LINES)
    for place, row in zip(axes, rows, strict=True):
        for name, label in row:
            observed = motion.observed_mask[:, COLUMN[name]]
            value = np.where(observed, motion.state[:, COLUMN[name]], np.nan)
            value = (value - _start(motion.time, value, panel.key)) * factor
            u = np.where(observed, motion.u[:, COLUMN[name]], np.nan) * factor
            shown = label if width == WIDTH else label.partition(",")[0]
            curve(place, motion.time, value, u, next(lines), shown)
            short = name.rsplit("_", 1)[0]
            data |= {f"{short} ({unit})": value, f"u_{short} ({unit})": u}
        title = f"{vehicle}: {panel.title}" if place is axes[0] else ""
        finish(place, title, unit, last=place is axes[-1])
    bands = "95 % bands of the position" if panel.key == "displacement" else "95 % bands"
    caption = f"{vehicle.capitalize()}: {panel.title}, with {bands}."
    return PlotFigure(_name(f"{vehicle}-{panel.key}", width), caption, figure, data)


def _start(time: Array, value: Array, key: str) -> float:
    """What is subtracted: the value at time zero of places, the mean before it of angles."""
    known = np.isfinite(value)
    if key == "displacement":
        return float(np.interp(0.0, time[known], value[known]))
    if key == "attitude":
        before = known & (time < 0)
        return float(value[before].mean()) if before.any() else float(value[known][0])
    return 0.0


def _comparison(
    vehicle: str, quantity: str, chosen: list[Curve], system: System, width: float
) -> PlotFigure | None:
    what, _, axis = quantity.partition("_")
    if what not in ("velocity", "acceleration"):
        return None
    kind = "speed" if what == "velocity" else "acceleration"
    title = "change of velocity" if what == "velocity" else "acceleration"
    unit, factor = report_unit(kind, system)
    by_source = {c.source: c for c in chosen}
    film, other = by_source.get("film"), by_source.get("accelerometer")
    two = film is not None and other is not None
    figure, axes = panels(_height(1 + two, width), (1.6, 1.0)[: 1 + two], width)
    data: dict[str, Array] = {"time_s": chosen[0].time}
    for each in chosen:
        u = None if each.u is None else each.u * factor
        line = SOURCES.get(each.source, LINES[3])
        curve(axes[0], each.time, each.value * factor, u, line, each.source)
        data[f"{each.source} ({unit})"] = _on(chosen[0].time, each.time, each.value * factor)
    direction = f", {DIRECTIONS[axis]} +" if axis in DIRECTIONS else ""
    finish(axes[0], f"{vehicle}: {title}{direction}", unit, last=not two)
    if film is not None and other is not None:
        difference, u = _difference(film, other)
        line = SOURCES["difference"]
        curve(axes[1], film.time, difference * factor, u * factor, line, "accelerometer less film")
        axes[1].axhline(0.0, color=SOFT, linewidth=0.6)
        finish(axes[1], "", unit)
    origin = "film and accelerometers" if two else "film" if film is not None else "accelerometers"
    caption = f"{vehicle.capitalize()}: {title}, {origin}, with 95 % bands."
    return PlotFigure(
        _name(f"{vehicle}-{quantity.replace('_', '-')}", width), caption, figure, data
    )


def _difference(film: Curve, other: Curve) -> tuple[Array, Array]:
    """The other's value less the film's at the film's times, and its standard uncertainty."""
    value = _on(film.time, other.time, other.value) - film.value
    u_film = np.zeros_like(value) if film.u is None else film.u
    u_other = np.zeros_like(value) if other.u is None else _on(film.time, other.time, other.u)
    return value, np.hypot(u_film, u_other)


def _steadiness(camera: str, curves: tuple[Curve, ...]) -> PlotFigure | None:
    chosen = [c for c in curves if c.of == camera and "steadiness" in c.quantity and len(c.time)]
    if not chosen:
        return None
    figure, (axes,) = panels(1.8)
    data: dict[str, Array] = {"time_s": chosen[0].time}
    for each, line in zip(chosen, LINES, strict=False):
        label = each.quantity.rsplit("_", 1)[-1]
        curve(axes, each.time, each.value, each.u, line, label)
        data[f"{label} ({each.unit})"] = each.value
    finish(axes, f"{camera}: motion of the picture that was taken out", chosen[0].unit)
    caption = f"Camera {camera}: motion of the picture, taken out before anything was measured."
    return PlotFigure(f"{camera}-steadiness", caption, figure, data)


def _survey(camera: str, targets: Mapping[str, TargetResult]) -> PlotFigure | None:
    if len(targets) < 2:
        return None
    names, each = list(targets), list(targets.values())
    figure = Figure(figsize=(WIDTH, 0.75 + 0.16 * len(names)))
    rows = figure.subplots(1, 2, sharey=True)
    figure.subplots_adjust(left=0.1, right=0.985, top=0.86, bottom=0.2, wspace=0.06)
    places = np.arange(len(names))[::-1]
    data: dict[str, Array] = {}
    for k, (axes, word) in enumerate(zip(rows, ("to the right", "down"), strict=True)):
        own, size, alone = (
            np.array([np.nan if pair is None else pair[k] for pair in pairs])
            for pairs in (
                [t.residual_px for t in each],
                [t.expected_px for t in each],
                [t.withheld_px for t in each],
            )
        )
        reach = {"xerr": 2 * size, "fmt": "o", "markersize": 3.5, "elinewidth": 1.0}
        axes.errorbar(own, places, color=LINES[0].colour, label="residual ± 2 expected", **reach)
        axes.plot(alone, places - 0.25, "s", color=LINES[1].colour, markersize=3, label="withheld")
        axes.axvline(0.0, color=SOFT, linewidth=0.6)
        axes.set_xlabel(f"d{'uv'[k]}, {word} (px)")
        axes.grid(visible=False, axis="y")
        data |= {f"d{'uv'[k]} (px)": own, f"expected (px), {'uv'[k]}": size}
        data |= {f"withheld d{'uv'[k]} (px)": alone}
    rows[0].set_yticks(places, names)
    rows[0].set_title(f"{camera}: surveyed targets, measured less projected", loc="left")
    rows[1].legend(loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=2)
    caption = (
        f"Camera {camera}: residual of each surveyed target with twice its expected size, and the "
        "residual against a camera calibrated without it."
    )
    return PlotFigure(f"{camera}-survey", caption, figure, data)


def _on(time: Array, other: Array, value: Array) -> Array:
    """Values at other times, NaN outside."""
    return np.asarray(np.interp(time, other, value, left=np.nan, right=np.nan))
