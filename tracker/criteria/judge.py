"""The criteria of a test's record applied to its results."""

from __future__ import annotations

from dataclasses import replace

from tracker.core.types import Quantity
from tracker.criteria.evaluate import PlannedImpact, evaluate
from tracker.criteria.sets import QUANTITIES, load_criteria
from tracker.record.schema import Record
from tracker.results.schema import CrushResult, Results, VehicleResult
from tracker.results.verdicts import Criterion, NotJudged

_ORIGIN = {
    "fused": "from film and accelerometers",
    "film": "from the film",
    "accelerometer": "from the accelerometer",
}


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
    plan = PlannedImpact(intended.speed, intended.angle, intended.offset)
    trap = record.test.speed_trap
    striking = [n for n, v in record.vehicles.items() if v.role == "striking"]
    struck = [v.mass for v in record.vehicles.values() if v.role == "struck"]
    found: list[Criterion] = []
    for name in striking or list(record.vehicles):
        if name not in results.vehicles:
            continue
        quantities, origin = _measured(results.vehicles[name], results.crush)
        origin = _named(origin, results, name)
        if quantities["impact_speed"] is None and trap is not None and name in striking:
            quantities["impact_speed"] = Quantity(trap.speed, "m/s", trap.u)
            origin["impact_speed"] = "from the speed trap"
        several = len(striking or record.vehicles) > 1
        judged = evaluate(
            criteria,
            quantities,
            plan,
            record.vehicles[name].mass,
            struck[0] if len(struck) == 1 else None,
            origin,
        )
        found += [replace(c, name=f"{name}: {c.name}") if several else c for c in judged]
    return tuple(found)


def _named(origin: dict[str, str], results: Results, vehicle: str) -> dict[str, str]:
    """The same, with the name of the sensor block that judges where there are several."""
    own = [block for block in results.accelerometers if block.vehicle == vehicle]
    chosen = next((block.name for block in own if block.primary), None)
    if len(own) < 2 or chosen is None:
        return origin
    plain = _ORIGIN["accelerometer"]
    return {n: f"{plain} {chosen}" if text == plain else text for n, text in origin.items()}


def not_judged(record: Record) -> tuple[NotJudged, ...]:
    """What the record's criteria set asks for and films and accelerometers do not show.

    Raises
    ------
    RecordError : the record's own criteria file can't be read.
    """
    criteria = load_criteria(record.test.criteria, record.folder)
    return tuple(NotJudged(aspect.name, aspect.why) for aspect in criteria.not_judged)


def _measured(
    vehicle: VehicleResult, crush: CrushResult | None
) -> tuple[dict[str, Quantity | None], dict[str, str]]:
    """Quantities by name, and where each occupant figure comes from."""
    quantities: dict[str, Quantity | None] = {
        name: getattr(vehicle, name) for name in QUANTITIES if hasattr(vehicle, name)
    }
    quantities["max_dynamic"] = crush.max_dynamic if crush else None
    origin: dict[str, str] = {}
    for name in QUANTITIES:
        for source in _ORIGIN:
            figures = getattr(vehicle.occupant, source)
            quantity = getattr(figures, name, None)
            if isinstance(quantity, Quantity):
                quantities[name] = quantity
                origin[name] = _ORIGIN[source]
                break
    return quantities, origin
