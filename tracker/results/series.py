"""Several tests beside each other: one row a test, and the statistics of repeated tests.

Units are SI as in `tracker.results.schema`. Of occupant risk a row takes film and accelerometers
together where there is such a result, else the film, else the accelerometers, as the criteria do.
"""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from calibration.arrays import Array
from tracker.core.types import STATE, Quantity
from tracker.core.units import System
from tracker.results.roles import striking
from tracker.results.schema import IntendedResult, OccupantResult, Results, VehicleResult

Verdict = Literal["pass", "fail", "undetermined", "none"]

SAME_MASS = 0.05
"""Masses that differ by less than this share are one vehicle class: the tolerances of MASH 2016 are
2420 ± 55 lb and 5000 ± 110 lb, at most 4.7 % from the lightest to the heaviest."""

FIELDS = {
    "impact_speed": "speed",
    "impact_angle": "angle",
    "impact_offset": "length",
    "oiv_x": "occupant_speed",
    "oiv_y": "occupant_speed",
    "ridedown_x": "acceleration_g",
    "ridedown_y": "acceleration_g",
    "pitch": "angle",
    "roll_ahead": "length",
    "crush": "length",
    "stroke_used": "plain",
}
"""Measured numbers of a row, and their kind of unit."""

UNITS = {
    "speed": "mps",
    "occupant_speed": "mps",
    "angle": "rad",
    "length": "m",
    "acceleration_g": "g",
    "plain": "1",
}
CURVE_POINTS = 400
ROUNDING = 1e-12
"""Equal numbers scatter by this share of their size because they are rounded in memory."""


@dataclass(frozen=True)
class CrushCurve:
    """The striking vehicle's deceleration against the closing of the vehicles since time zero."""

    crush: Array  # (n,) m, growing
    force: Array  # (n,) N, mass times deceleration along ground x
    u: Array  # (n,) N


@dataclass(frozen=True)
class Row:
    """One test. `values` has the keys of `FIELDS`; None is: not determined."""

    number: str
    title: str
    folder: Path
    criteria: str
    report_units: System
    vehicle: str
    mass: float | None  # kg
    struck_mass: float | None  # kg
    intended: IntendedResult
    values: Mapping[str, Quantity | None]
    source: str  # of the occupant numbers: fused, film, accelerometer, or ""
    verdict: Verdict
    curve: CrushCurve | None = None


@dataclass(frozen=True)
class Statistic:
    """One number of repeated tests.

    `deviation` is the experimental standard deviation (JCGM 100:2008, 4.2.2), `u_mean` that of the
    mean (4.2.3), `measurement` the root mean square of the tests' own standard uncertainties, and
    `between` what of the deviation the measurement does not explain (0 where it explains all).
    """

    count: int
    unit: str
    mean: float
    deviation: float
    u_mean: float
    measurement: float
    between: float


@dataclass(frozen=True)
class Group:
    """Repeated tests: one vehicle class, one set of intended conditions, one criteria set."""

    rows: tuple[Row, ...]
    statistics: Mapping[str, Statistic]


def row_of(results: Results, folder: Path) -> Row:
    """The row of a test."""
    name = striking(results)
    vehicle = results.vehicles[name] if name else VehicleResult()
    occupant, source = _occupant(vehicle)
    struck = [v for n, v in results.vehicles.items() if v.role == "struck" and n != name]
    return Row(
        number=results.test.number,
        title=results.test.title or "",
        folder=folder,
        criteria=results.test.criteria,
        report_units=results.test.report_units,
        vehicle=name or "",
        mass=vehicle.mass,
        struck_mass=struck[0].mass if len(struck) == 1 else None,
        intended=results.test.intended,
        values={
            "impact_speed": vehicle.impact_speed,
            "impact_angle": vehicle.impact_angle,
            "impact_offset": vehicle.impact_offset,
            "oiv_x": occupant.oiv_x,
            "oiv_y": occupant.oiv_y,
            "ridedown_x": occupant.ridedown_x,
            "ridedown_y": occupant.ridedown_y,
            "pitch": _larger(vehicle.max_pitch, vehicle.min_pitch),
            "roll_ahead": roll_ahead(struck[0]) if len(struck) == 1 else None,
            "crush": results.crush.max_dynamic if results.crush else None,
            "stroke_used": results.mechanics.stroke_used if results.mechanics else None,
        },
        source=source,
        verdict=overall(results),
        curve=crush_curve(results),
    )


def roll_ahead(struck: VehicleResult) -> Quantity | None:
    """Way of a struck vehicle to rest; so far as the film shows it where nothing shows the rest."""
    return struck.travel_x if struck.stopping is None else struck.stopping.travel


def overall(results: Results) -> Verdict:
    """The verdict on a test: preferred limits inform, they decide nothing."""
    verdicts = [c.verdict for c in results.criteria if not c.preferred]
    if not verdicts:
        return "none"
    if "fail" in verdicts:
        return "fail"
    return "undetermined" if "undetermined" in verdicts else "pass"


def repeat_groups(rows: Sequence[Row]) -> tuple[Group, ...]:
    """Groups of at least two tests that differ in nothing that was intended."""
    plans: dict[object, list[Row]] = {}
    for row in rows:
        wanted = row.intended
        if row.mass is not None and wanted.speed is not None:
            plan = (
                row.criteria,
                *(_round_value(x) for x in (wanted.speed, wanted.angle, wanted.offset)),
            )
            plans.setdefault(plan, []).append(row)
    found: list[Group] = []
    for alike in plans.values():
        for group in _classes(alike):
            if len(group) > 1:
                order = {id(row): i for i, row in enumerate(rows)}
                members = tuple(sorted(group, key=lambda row: order[id(row)]))
                found.append(Group(members, _statistics(members)))
    return tuple(found)


def statistic(values: Sequence[Quantity]) -> Statistic:
    """Mean and scatter of one number over at least two tests."""
    each = np.array([q.value for q in values])
    u = np.array([q.u for q in values])
    deviation = float(each.std(ddof=1))
    if deviation <= ROUNDING * float(np.abs(each).max()):
        deviation = 0.0
    measurement = float(np.sqrt(np.mean(u**2)))
    return Statistic(
        count=len(each),
        unit=values[0].unit,
        mean=float(each.mean()),
        deviation=deviation,
        u_mean=deviation / math.sqrt(len(each)),
        measurement=measurement,
        between=math.sqrt(max(deviation**2 - measurement**2, 0.0)),
    )


def crush_curve(results: Results) -> CrushCurve | None:
    """Force on the striking vehicle (mass times deceleration of its cg) against crush.

    From time zero to the greatest closing; None without the motion of both along ground x or the
    striking vehicle's mass.
    """
    name = striking(results)
    others = [n for n, v in results.vehicles.items() if v.role == "struck" and n != name]
    if name is None or len(others) != 1 or {name, others[0]} - set(results.motion):
        return None
    car, truck = results.motion[name], results.motion[others[0]]
    mass = results.vehicles[name].mass
    x, a = STATE.index("x_m"), STATE.index("ax_mps2")
    seen = car.observed_mask[:, x] & car.observed_mask[:, a]
    during = seen & (car.time >= 0)
    if mass is None or during.sum() < 2 or not truck.observed_mask[:, x].any():
        return None
    known = truck.observed_mask[:, x]
    closing = car.state[:, x] - np.interp(
        car.time, truck.time[known], truck.state[known, x], left=np.nan, right=np.nan
    )
    start = np.interp(0.0, car.time[seen], closing[seen])
    crush = np.where(during, closing - start, np.nan)
    if not np.isfinite(crush).any():
        return None
    chosen = np.flatnonzero(during & np.isfinite(crush))
    chosen = chosen[chosen <= np.nanargmax(crush)]
    chosen = chosen[:: max(1, len(chosen) // CURVE_POINTS)]
    return CrushCurve(crush[chosen], -mass * car.state[chosen, a], mass * car.u[chosen, a])


def series_csv(rows: Sequence[Row]) -> str:
    """One line a test, SI; empty where not determined."""
    columns = {name: f"{name}_{UNITS[kind]}" for name, kind in FIELDS.items()}
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        ["number", "title", "folder", "criteria", "verdict", "vehicle", "mass_kg"]
        + ["struck_mass_kg", "intended_speed_mps", "intended_angle_rad", "intended_offset_m"]
        + [label for column in columns.values() for label in (column, f"u_{column}")]
        + ["occupant_source"]
    )
    for row in rows:
        wanted = row.intended
        numbers = [row.mass, row.struck_mass, wanted.speed, wanted.angle, wanted.offset]
        for name in FIELDS:
            value = row.values[name]
            numbers += [None, None] if value is None else [value.value, value.u]
        names = [row.number, row.title, row.folder.as_posix(), row.criteria, row.verdict]
        writer.writerow(
            [_cell(text) for text in (*names, row.vehicle)]
            + [_number(value) for value in numbers]
            + [_cell(row.source)]
        )
    return text.getvalue()


def _cell(text: str) -> str:
    """A text that no spreadsheet takes for a formula: an apostrophe stands before such a one.

    Source: OWASP, CSV Injection.
    """
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


def read_rows(directories: Iterable[Path], read: Callable[[Path], Results]) -> tuple[Row, ...]:
    """The rows of results folders, in their order; each folder once."""
    once = dict.fromkeys(Path(os.path.normpath(d)) for d in directories)
    return tuple(row_of(read(folder), folder) for folder in once)


def _occupant(vehicle: VehicleResult) -> tuple[OccupantResult, str]:
    for source in ("fused", "film", "accelerometer"):
        found: OccupantResult | None = getattr(vehicle.occupant, source)
        if found is not None:
            return found, source
    return OccupantResult(), ""


def _larger(up: Quantity | None, down: Quantity | None) -> Quantity | None:
    """The extreme that is farther from zero, with its sign."""
    known = [q for q in (up, down) if q is not None]
    return max(known, key=lambda q: abs(q.value), default=None)


def _classes(rows: Sequence[Row]) -> list[list[Row]]:
    """Rows whose masses lie within `SAME_MASS` of the lightest of their class."""
    classes: list[list[Row]] = []
    for row in sorted(rows, key=lambda row: row.mass or 0.0):
        lightest = classes[-1][0].mass if classes else None
        if lightest is not None and (row.mass or 0.0) <= lightest * (1 + SAME_MASS):
            classes[-1].append(row)
        else:
            classes.append([row])
    return classes


def _statistics(rows: Sequence[Row]) -> dict[str, Statistic]:
    found = {}
    for name in FIELDS:
        known = [q for row in rows if (q := row.values[name]) is not None]
        if len(known) > 1:
            found[name] = statistic(known)
    return found


def _round_value(value: float | None) -> float | None:
    """A condition as a key: text in different units makes the same number up to rounding."""
    return None if value is None else round(value, 3) + 0.0


def _number(value: float | None) -> str:
    return "" if value is None or not math.isfinite(value) else f"{value:.12g}"
