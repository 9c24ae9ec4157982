"""What the page shows of results: plain JSON values, numbers in report units where shown."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from calibration.arrays import Array
from tracker.core.types import STATE, Tracks
from tracker.core.units import report_unit
from tracker.report import calibration, tables
from tracker.report.blocks import TableBlock
from tracker.report.content import headline
from tracker.report.tables import verdict_word
from tracker.report.wording import AXES, CAUTION, UNCERTAINTY, VERDICTS
from tracker.results.schema import Results
from tracker.workbench.form_words import with_place

SERIES = (
    ("x", "Displacement along x", "x_m", "length"),
    ("y", "Displacement to the right, y", "y_m", "length"),
    ("rise", "Rise of the cg", "z_m", "small_length"),
    ("vx", "Velocity along x", "vx_mps", "speed"),
    ("vy", "Velocity to the right, y", "vy_mps", "speed"),
    ("ax", "Acceleration along x", "ax_mps2", "acceleration"),
    ("ay", "Acceleration to the right, y", "ay_mps2", "acceleration"),
    ("pitch", "Pitch, nose up +", "pitch_rad", "angle"),
    ("yaw", "Yaw, nose right +", "yaw_rad", "angle"),
    ("roll", "Roll, right side down +", "roll_rad", "angle"),
)
"""Plots: name, title, column of `STATE`, kind of unit."""

COVERAGE = 1.96
"""Half width of a band in standard uncertainties: 95 %, normal distribution."""


def summary(results: Results) -> dict[str, Any]:
    """Tables, verdicts, findings and warnings, worded as in the report."""
    vehicles = [
        {
            "name": name,
            "role": vehicle.role,
            "movement": _table(tables.movement(results, name)),
            "occupant": _with_short_names(_table(tables.occupant(results, name))),
        }
        for name, vehicle in results.vehicles.items()
    ]
    crush = tables.crush(results)
    return {
        "headline": headline(dataclasses.replace(results, warnings=())),
        "conditions": _table(tables.conditions(results)),
        "vehicles": vehicles,
        "crush": None if crush is None else list(crush),
        "criteria": [
            {
                "row": _short_row(tables.verdict_row(entry, results.test.report_units)),
                "name": entry.name,
                "verdict": "missed" if entry.word == "not met" else entry.verdict,
                "words": verdict_word(entry).lower(),
                "source": entry.source,
                "note": entry.note,
            }
            for entry in results.criteria
        ],
        "cross_check": [
            {
                "vehicle": name,
                "verdict": check.verdict,
                "words": VERDICTS[check.verdict],
                "metrics": _table(tables.cross_check(name, check, results.test.report_units)),
                "findings": _table(tables.findings(name, check, results.test.report_units)),
            }
            for name, check in results.cross_check.items()
        ],
        "cameras": _table(calibration.cameras(results)),
        "clocks": [
            [name, camera.time_base, camera.lens] for name, camera in results.cameras.items()
        ],
        "survey": _table(calibration.targets(results)),
        "fits": {
            name: {mark: dataclasses.asdict(fit) for mark, fit in camera.mark_fits.items()}
            for name, camera in results.cameras.items()
        },
        "budget": _table(tables.budget(results)),
        "warnings": [
            with_place(dataclasses.asdict(warning)) | {"grade": warning.grade}
            for warning in results.warnings
        ],
        "events": [
            {"time": event.time, "text": event.text, "source": event.source}
            for event in results.events
        ],
        "times": {name: rounded_numbers(times, 6) for name, times in results.times.items()},
        "notes": {"caution": CAUTION, "uncertainty": UNCERTAINTY, "axes": AXES},
        "log": [dataclasses.asdict(entry) for entry in results.log],
    }


def motion_plots(results: Results) -> dict[str, Any]:
    """Curves against time: one for each vehicle and column that a film determines."""
    system = results.test.report_units
    plots: dict[str, dict[str, Any]] = {}
    for name, title, column, kind in SERIES:
        unit, factor = report_unit(kind, system)
        k = STATE.index(column)
        lines = []
        for vehicle, motion in results.motion.items():
            if not motion.observed_mask[:, k].any():
                continue
            value = np.where(motion.observed_mask[:, k], motion.state[:, k], np.nan)
            if name == "rise":
                value = -(value - value[np.argmin(np.abs(motion.time))])
            lines.append(
                _line(vehicle, "film", motion.time, value * factor, motion.u[:, k] * factor)
            )
        if lines:
            plots[name] = {"title": title, "unit": unit, "lines": lines}
    for curve in results.curves:
        kind = {"m/s": "speed", "m/s2": "acceleration"}.get(curve.unit, "")
        unit, factor = report_unit(kind, system) if kind else (curve.unit, 1.0)
        plot = plots.setdefault(
            f"{curve.of}.{curve.quantity}",
            {"title": _plot_title(curve.of, curve.quantity), "unit": unit, "lines": []},
        )
        u = None if curve.u is None else curve.u * factor
        plot["lines"].append(_line(curve.of, curve.source, curve.time, curve.value * factor, u))
    return plots


def marks_by_frame(found: Tracks, predicted: dict[str, Array]) -> dict[str, Any]:
    """A camera's marks by frame: place, covariance (uu, uv, vv), status, and where the solution
    expects vehicle marks.
    """
    return {
        "marks": [
            {
                "name": mark,
                "u": rounded_numbers(found.position[:, i, 0], 3),
                "v": rounded_numbers(found.position[:, i, 1], 3),
                "uu": significant_numbers(found.covariance[:, i, 0, 0]),
                "uv": significant_numbers(found.covariance[:, i, 0, 1]),
                "vv": significant_numbers(found.covariance[:, i, 1, 1]),
                "status": found.status[:, i].tolist(),
            }
            for i, mark in enumerate(found.marks)
        ],
        "predicted": {
            mark: {"u": rounded_numbers(place[:, 0], 3), "v": rounded_numbers(place[:, 1], 3)}
            for mark, place in predicted.items()
        },
    }


def rounded_numbers(values: Array, decimals: int) -> list[float | None]:
    """Numbers for JSON, None where there is none."""
    return [v if v == v and abs(v) != np.inf else None for v in np.round(values, decimals).tolist()]


def significant_numbers(values: Array) -> list[float | None]:
    """Numbers for JSON with four digits."""
    return [float(f"{v:.4g}") if np.isfinite(v) else None for v in values.tolist()]


def _short_row(row: tuple[str, ...]) -> list[str]:
    return [tables.short_name(row[0]), *row[1:]]


def _with_short_names(table: dict[str, Any] | None) -> dict[str, Any] | None:
    """Names as short as on the report's first page, where x is forward and y to the right."""
    return table and {
        **table,
        "rows": [[tables.shortest(row[0]), *row[1:]] for row in table["rows"]],
    }


def _plot_title(of: str, quantity: str) -> str:
    words = {
        "velocity_x": "change of velocity along its x, film and accelerometer",
        "velocity_y": "change of velocity along its y, film and accelerometer",
        "acceleration_x": "acceleration along its x, film and accelerometer",
        "acceleration_y": "acceleration along its y, film and accelerometer",
        "steadiness_u": "picture's own motion, u",
        "steadiness_v": "picture's own motion, v",
    }
    return f"{of}: {words.get(quantity, quantity.replace('_', ' '))}"


def _line(of: str, source: str, time: Array, value: Array, u: Array | None) -> dict[str, Any]:
    step = max(1, len(time) // 4000)  # finer than any screen
    band = None if u is None else significant_numbers(COVERAGE * np.asarray(u)[::step])
    return {
        "of": of,
        "source": source,
        "time": rounded_numbers(np.asarray(time)[::step], 6),
        "value": significant_6(np.asarray(value)[::step]),
        "band": band,
    }


def significant_6(values: Array) -> list[float | None]:
    """Numbers for JSON with six digits."""
    return [float(f"{v:.6g}") if np.isfinite(v) else None for v in values.tolist()]


def _table(table: TableBlock | None) -> dict[str, Any] | None:
    return None if table is None else dataclasses.asdict(table)
