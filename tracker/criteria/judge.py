"""The criteria of a test's record applied to its results."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from tracker.criteria.evaluate import Plan, evaluate
from tracker.criteria.sets import QUANTITIES, load_criteria
from tracker.record_schema import Record
from tracker.results import Criterion, CrushResult, Results, VehicleResult
from tracker.values import Quantity

_SOURCES = ("fused", "film", "accelerometer")


def judge(record: Record, results: Results) -> tuple[Criterion, ...]:
    """Every requirement of the record's criteria set on each striking vehicle.

    Occupant risk is taken from film and accelerometers together where there is such a result,
    else from the film, else from the accelerometers; the note says which. A record that names no
    striking vehicle is judged by all its vehicles.

    Raises
    ------
    Problem : the record's own criteria file can't be read.
    """
    criteria = load_criteria(record.test.criteria, record.folder)
    intended = record.test.intended
    plan = Plan(intended.speed, intended.angle, intended.offset)
    striking = [n for n, v in record.vehicles.items() if v.role == "striking"]
    struck = [v.mass for v in record.vehicles.values() if v.role == "struck"]
    found: list[Criterion] = []
    for name in striking or list(record.vehicles):
        if name not in results.vehicles:
            continue
        quantities, sources = _measured(results.vehicles[name], results.crush)
        several = len(striking or record.vehicles) > 1
        found += [
            replace(
                criterion,
                name=f"{name}: {criterion.name}" if several else criterion.name,
                note="; ".join(
                    part for part in (criterion.note, _told_by(criterion, sources)) if part
                ),
            )
            for criterion in evaluate(
                criteria,
                quantities,
                plan,
                record.vehicles[name].mass,
                struck[0] if len(struck) == 1 else None,
            )
        ]
    return tuple(found)


def _measured(
    vehicle: VehicleResult, crush: CrushResult | None
) -> tuple[dict[str, Quantity | None], dict[float, str]]:
    """Quantities by name, and for each occupant figure's value the source it came from."""
    quantities: dict[str, Quantity | None] = {
        name: getattr(vehicle, name) for name in QUANTITIES if hasattr(vehicle, name)
    }
    quantities["max_dynamic"] = crush.max_dynamic if crush else None
    sources: dict[float, str] = {}
    for name in QUANTITIES:
        for source in _SOURCES:
            figures = getattr(vehicle.occupant, source)
            quantity = getattr(figures, name, None)
            if isinstance(quantity, Quantity):
                quantities[name] = quantity
                sources[quantity.value] = source
                break
    return quantities, sources


def _told_by(criterion: Criterion, sources: Mapping[float, str]) -> str:
    if criterion.value is None or criterion.value not in sources:
        return ""
    source = sources[criterion.value]
    return "from film and accelerometers" if source == "fused" else f"from the {source}"
