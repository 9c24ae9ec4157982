"""The headline numbers of a test, those that a person wants first; shown from films alone, too."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tracker.core.types import Quantity
from tracker.core.units import System, report_unit
from tracker.results.after_contact import ArticleResult
from tracker.results.schema import CrushResult, OccupantResult, Results, VehicleResult

SMALL = 0.3
"""m: shorter lengths of an article read better in inches or millimetres."""
Row = tuple[str, Quantity | None, str]
"""Label, value with its u in SI, kind of unit."""


@dataclass(frozen=True)
class Headline:
    """The numbers of a test from its films alone, known before its results are complete."""

    number: str
    report_units: System
    draws: int  # of the posterior; u is known to 1 / sqrt(2 draws)
    vehicles: Mapping[str, VehicleResult]
    crush: CrushResult | None


def headline_of(results: Results) -> list[Row]:
    """The headline numbers of complete results."""
    rows = headline_rows(results.vehicles, results.crush)
    return [*rows, *_article_rows(results.article)]


def headline_rows(vehicles: Mapping[str, VehicleResult], crush: CrushResult | None) -> list[Row]:
    """One row a headline number, in the order in which they are shown."""
    rows: list[Row] = []
    for name, vehicle in vehicles.items():
        rows += [
            (f"{name}: impact speed", vehicle.impact_speed, "speed"),
            (f"{name}: impact angle", vehicle.impact_angle, "angle"),
            (f"{name}: velocity change", vehicle.velocity_change, "speed"),
            (f"{name}: largest pitch, nose up", vehicle.max_pitch, "angle"),
            (f"{name}: largest pitch, nose down", vehicle.min_pitch, "angle"),
            (f"{name}: largest yaw to the right", vehicle.max_yaw, "angle"),
            (f"{name}: largest yaw to the left", vehicle.min_yaw, "angle"),
            (f"{name}: highest rise", vehicle.max_rise, "small_length"),
            (f"{name}: travel after contact", vehicle.travel_x, "length"),
        ]
        if vehicle.end_speed is not None:
            rows.append((f"{name}: speed as the film ends", vehicle.end_speed, "speed"))
        if vehicle.stopping is not None:
            rows.append((f"{name}: roll-ahead to rest", vehicle.stopping.travel, "length"))
        if vehicle.exit is None:
            rows.append((f"{name}: end of contact", vehicle.contact_end, "time"))
        rows += _later_rows(name, vehicle)
        for source in ("film", "accelerometer", "fused"):
            occupant: OccupantResult | None = getattr(vehicle.occupant, source)
            if occupant is not None:
                velocity = f"{name}: occupant impact velocity, {source}"
                rows += [
                    (velocity, occupant.oiv_x, "occupant_speed"),
                    (f"{name}: ridedown, {source}", occupant.ridedown_x, "acceleration_g"),
                ]
    if crush is not None:
        rows.append(("largest dynamic crush", crush.max_dynamic, "length"))
    return rows


def _later_rows(name: str, vehicle: VehicleResult) -> list[Row]:
    """How a vehicle leaves the article, and where it comes to rest."""
    rows: list[Row] = []
    leaves, final = vehicle.exit, vehicle.final
    if leaves is not None:
        rows += [
            (f"{name}: loss of contact", Quantity(leaves.time, "s", leaves.time_u), "time"),
            (f"{name}: exit speed", leaves.speed, "speed"),
            (f"{name}: exit trajectory angle", leaves.trajectory_angle, "angle"),
            (f"{name}: exit heading angle", leaves.heading_angle, "angle"),
            (f"{name}: exit yaw rate", leaves.yaw_rate, "angular_rate"),
        ]
    if final is not None and final.at_rest:
        rows += [
            (f"{name}: at rest, downstream of the impact", final.downstream, "length"),
            (f"{name}: at rest, lateral", final.lateral, "length"),
            (f"{name}: at rest, heading", final.heading, "angle"),
        ]
    return rows


def _article_rows(article: ArticleResult | None) -> list[Row]:
    """How far the article moved."""
    if article is None:
        return []
    figures = (
        ("dynamic deflection", article.dynamic_deflection),
        ("permanent deflection", article.permanent_deflection),
        ("working width", article.working_width),
        ("vehicle intrusion", article.vehicle_intrusion),
    )
    return [
        (
            f"article: {label}",
            Quantity(f.value, f.unit, f.u, f.time, f.at_end),
            length_kind(f.value),
        )
        for label, f in figures
        if f is not None
    ]


def length_kind(*lengths: float) -> str:
    """The kind of unit for lengths (m) of an article: small units if none reaches `SMALL`."""
    return "small_length" if max(map(abs, lengths), default=0.0) < SMALL else "length"


def headline_cells(rows: list[Row], system: System) -> list[tuple[str, str, str, str]]:
    """Label, value, u and unit as text, of every row that has a value."""
    return [
        (label, *quantity_cells(quantity, kind, system))
        for label, quantity, kind in rows
        if quantity is not None
    ]


def quantity_cells(quantity: Quantity, kind: str, system: System) -> tuple[str, str, str]:
    """Value, standard uncertainty (two significant digits) and unit, as text."""
    unit, factor = report_unit(kind, system)
    value, u = quantity.value * factor, quantity.u * factor
    bound = ("<= " if value < 0 else ">= ") if quantity.at_end else ""
    if not u > 0:
        return f"{bound}{value:.4g}", "", unit
    digits = max(0, 1 - int(f"{u:e}".split("e")[1]))
    return f"{bound}{value:.{digits}f}", f"{u:.{digits}f}", unit
