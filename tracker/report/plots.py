"""The plots of a report, drawn from the results; each comes with its data as a table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibration.camera import Array
from tracker.report.style import COVERAGE, LINES, SOFT, SOURCES, Line, panels, style, zero_line
from tracker.results import Curve, Results
from tracker.results_csv import columns_csv
from tracker.units import System, report_unit
from tracker.values import STATE, Motion

COLUMN = {name: i for i, name in enumerate(STATE)}
MARKS_ON_A_LINE = 12


@dataclass(frozen=True)
class Drawn:
    """A plot: its name as a file, its caption, the figure and the data in report units."""

    name: str
    caption: str
    figure: Figure
    data: Mapping[str, Array]


@dataclass(frozen=True)
class Panel:
    """What one plot of a motion shows."""

    key: str
    title: str
    kind: str
    columns: tuple[tuple[str, str], ...]  # column of STATE, its name in the legend


PANELS = (
    Panel(
        "displacement",
        "displacement from time zero",
        "length",
        (("x_m", "x, along the path"), ("y_m", "y, to the right"), ("z_m", "z, down")),
    ),
    Panel(
        "velocity",
        "velocity",
        "speed",
        (("vx_mps", "along the path"), ("vy_mps", "to the right"), ("vz_mps", "down")),
    ),
    Panel(
        "attitude",
        "change of attitude",
        "angle",
        (
            ("pitch_rad", "pitch, nose up +"),
            ("yaw_rad", "yaw, nose to the right +"),
            ("roll_rad", "roll, right side down +"),
        ),
    ),
    Panel(
        "acceleration",
        "acceleration of the cg",
        "acceleration",
        (("ax_mps2", "along the path"), ("ay_mps2", "to the right"), ("az_mps2", "down")),
    ),
)


def draw_all(results: Results) -> tuple[Drawn, ...]:
    """Every plot that the results have data for. To be called within `style`."""
    system = results.test.report_units
    found: list[Drawn | None] = []
    for vehicle, motion in results.motion.items():
        found += [_motion_plot(vehicle, motion, panel, system) for panel in PANELS]
    for vehicle in results.vehicles:
        found.append(_comparison(vehicle, "velocity_x", results.curves, system))
        found.append(_comparison(vehicle, "acceleration_x", results.curves, system))
    for camera in results.cameras:
        found.append(_steadiness(camera, results.curves))
        found.append(_survey(camera, results.cameras[camera].survey_residuals_px))
    return tuple(drawn for drawn in found if drawn is not None)


def save(drawn: Drawn, folder: Path) -> None:
    """The plot as SVG and its data as CSV. To be called within `style`."""
    stem = folder / drawn.name
    drawn.figure.savefig(stem.with_suffix(".svg"), metadata={"Date": None})
    stem.with_suffix(".csv").write_text(columns_csv(drawn.data), encoding="utf-8", newline="\n")


def draw_plots(results: Results, folder: Path) -> dict[str, str]:
    """Draw and save all plots into `folder`; their captions by name."""
    with style():
        plots = draw_all(results)
        for drawn in plots:
            save(drawn, folder)
    return {drawn.name: drawn.caption for drawn in plots}


def _motion_plot(vehicle: str, motion: Motion, panel: Panel, system: System) -> Drawn | None:
    unit, factor = report_unit(panel.kind, system)
    figure, (axes,) = panels(2.35)
    data: dict[str, Array] = {"time_s": motion.time}
    shown = 0
    for (name, label), line in zip(panel.columns, LINES, strict=False):
        seen = motion.observed[:, COLUMN[name]]
        if not seen.any():
            continue
        value = np.where(seen, motion.state[:, COLUMN[name]], np.nan)
        value = (value - _start(motion.time, value, panel.key)) * factor
        u = np.where(seen, motion.u[:, COLUMN[name]], np.nan) * factor
        _curve(axes, motion.time, value, u, line, label)
        data |= {f"{name.rsplit('_', 1)[0]} ({unit})": value, f"u ({unit}) {name}": u}
        shown += 1
    if not shown:
        return None
    _finish(axes, f"{vehicle}: {panel.title}", unit)
    caption = f"{vehicle.capitalize()}: {panel.title} against time, with 95 % bands."
    return Drawn(f"{vehicle}-{panel.key}", caption, figure, data)


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
    vehicle: str, quantity: str, curves: tuple[Curve, ...], system: System
) -> Drawn | None:
    chosen = [c for c in curves if c.of == vehicle and c.quantity == quantity]
    if not chosen:
        return None
    kind = "occupant_speed" if quantity.startswith("velocity") else "acceleration"
    title = "change of velocity" if quantity.startswith("velocity") else "acceleration"
    unit, factor = report_unit(kind, system)
    by_source = {c.source: c for c in chosen}
    film, other = by_source.get("film"), by_source.get("accelerometer")
    two = film is not None and other is not None
    figure, rows = panels(3.1, (3.0, 1.0)) if two else panels(2.35)
    axes = rows[0]
    data: dict[str, Array] = {"time_s": chosen[0].time}
    for curve in chosen:
        line = SOURCES.get(curve.source, LINES[3])
        u = None if curve.u is None else curve.u * factor
        _curve(axes, curve.time, curve.value * factor, u, line, curve.source)
        data[f"{curve.source} ({unit})"] = _on(chosen[0].time, curve.time, curve.value * factor)
    _finish(axes, f"{vehicle}: {title} along the vehicle's x", unit)
    if film is not None and other is not None:
        difference = _on(film.time, other.time, other.value) - film.value
        u = np.hypot(
            0.0 if film.u is None else film.u,
            0.0 if other.u is None else _on(film.time, other.time, other.u),
        )
        below = rows[1]
        _curve(
            below,
            film.time,
            difference * factor,
            np.broadcast_to(u, difference.shape) * factor,
            LINES[2],
            "",
        )
        below.axhline(0.0, color=SOFT, linewidth=0.6)
        _finish(below, "accelerometer less film", unit)
        axes.set_xlabel("")
    caption = f"{vehicle.capitalize()}: {title} from film and from accelerometers, with 95 % bands."
    return Drawn(f"{vehicle}-{quantity.replace('_', '-')}", caption, figure, data)


def _steadiness(camera: str, curves: tuple[Curve, ...]) -> Drawn | None:
    chosen = [c for c in curves if c.of == camera and c.quantity.startswith("steadiness")]
    if not chosen:
        return None
    figure, (axes,) = panels(1.8)
    data: dict[str, Array] = {"time_s": chosen[0].time}
    for curve, line in zip(chosen, LINES, strict=False):
        label = curve.quantity.rsplit("_", 1)[-1]
        _curve(axes, curve.time, curve.value, curve.u, line, label)
        data[f"{label} ({curve.unit})"] = curve.value
    _finish(axes, f"{camera}: motion of the picture that was taken out", chosen[0].unit)
    caption = f"Camera {camera}: motion of the picture, taken out before anything was measured."
    return Drawn(f"{camera}-steadiness", caption, figure, data)


def _survey(camera: str, residuals: Mapping[str, float]) -> Drawn | None:
    if len(residuals) < 2:
        return None
    figure, (axes,) = panels(0.75 + 0.16 * len(residuals), left=1.0)
    places = np.arange(len(residuals))[::-1]
    axes.barh(places, list(residuals.values()), height=0.55, color=LINES[0].colour)
    axes.set_yticks(places, list(residuals))
    axes.set_xlabel("residual (px)")
    axes.set_title(f"{camera}: surveyed targets against the calibrated camera", loc="left")
    axes.grid(visible=False, axis="y")
    caption = f"Camera {camera}: residual of each surveyed target after calibration."
    data = {f"{name} (px)": np.array([value]) for name, value in residuals.items()}
    return Drawn(f"{camera}-survey", caption, figure, data)


def _curve(axes: Axes, time: Array, value: Array, u: Array | None, line: Line, label: str) -> None:
    """A line with its 95 % band."""
    if u is not None and np.isfinite(u).any():
        low, high = value - COVERAGE * u, value + COVERAGE * u
        axes.fill_between(time, low, high, color=line.colour, alpha=0.22, linewidth=0)
    axes.plot(
        time,
        value,
        color=line.colour,
        linestyle=line.dashes,
        linewidth=line.width,
        marker=line.marker,
        markersize=3.2,
        markerfacecolor="white",
        markeredgewidth=0.8,
        markevery=max(1, len(time) // MARKS_ON_A_LINE),
        label=label,
    )


def _finish(axes: Axes, title: str, unit: str) -> None:
    zero_line(axes)
    axes.set_title(title, loc="left")
    axes.set_ylabel(unit)
    axes.set_xlabel("time after first contact (s)")
    axes.margins(x=0.01)
    handles, labels = axes.get_legend_handles_labels()
    if len([label for label in labels if label]) > 1:
        axes.legend(handles, labels, loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=3)


def _on(time: Array, other: Array, value: Array) -> Array:
    """Values at other times, NaN outside."""
    return np.asarray(np.interp(time, other, value, left=np.nan, right=np.nan))
