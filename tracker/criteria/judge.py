"""The criteria of a test's record applied to its results."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tracker.core.types import Quantity
from tracker.criteria.decision import RULES
from tracker.criteria.evaluate import Measured, PlannedImpact, evaluate
from tracker.criteria.not_judged import lacking, outside
from tracker.criteria.sets import QUANTITIES, load_criteria
from tracker.record.schema import Record
from tracker.results.schema import CrushResult, Results, VehicleResult
from tracker.results.verdicts import Criterion, DecisionRule, NotJudged

_ORIGIN = {
    "fused": "from film and accelerometers",
    "film": "from the film",
    "accelerometer": "from the accelerometer",
}


@dataclass(frozen=True)
class Judgement:
    """The verdicts on a test, the rule they follow, and what was not judged."""

    criteria: tuple[Criterion, ...]
    not_judged: tuple[NotJudged, ...]
    rule: DecisionRule


def judge(record: Record, results: Results) -> Judgement:
    """Every requirement of the record's criteria set on each striking vehicle.

    Occupant risk is taken from film and accelerometers together where there is such a result,
    else from the film, else from the accelerometers; the note says which. A record that names no
    striking vehicle is judged by all its vehicles.

    Raises
    ------
    RecordError : the record's own criteria file can't be read.
    """
    test = record.test
    criteria, rule = load_criteria(test.criteria, record.folder), RULES[test.decision]
    intended = test.intended
    plan = PlannedImpact(intended.speed, intended.angle, intended.offset, test.device)
    striking = [n for n, v in record.vehicles.items() if v.role == "striking"]
    judged = striking or list(record.vehicles)
    found: list[Criterion] = []
    missing: list[NotJudged] = []
    for name in judged:
        measured = _measured_values(record, results, name)
        own = evaluate(criteria, measured, plan, rule)
        lacks = lacking(criteria, measured, plan, own)
        if len(judged) > 1:
            own = tuple(replace(c, name=f"{name}: {c.name}") for c in own)
            lacks = tuple(replace(one, name=f"{name}: {one.name}") for one in lacks)
        found += own
        missing += lacks
    return Judgement(tuple(found), (*outside(criteria, plan), *missing), rule)


def _measured_values(record: Record, results: Results, vehicle: str) -> Measured:
    """What is known of a vehicle; its impact speed from the speed trap where no film shows it."""
    trap, table = record.test.speed_trap, record.vehicles[vehicle]
    known = results.vehicles.get(vehicle, VehicleResult(table.role, table.mass))
    quantities, origin = _quantities(known, results.crush)
    origin = _named_origin(origin, results, vehicle)
    if quantities["impact_speed"] is None and trap is not None and table.role == "striking":
        quantities["impact_speed"] = Quantity(trap.speed, "m/s", trap.u)
        origin["impact_speed"] = "from the speed trap"
    struck = [v.known_mass for v in record.vehicles.values() if v.role == "struck"]
    masses = {"striking": table.known_mass, "struck": struck[0] if len(struck) == 1 else None}
    return Measured(quantities, {r: m for r, m in masses.items() if m is not None}, origin)


def _named_origin(origin: dict[str, str], results: Results, vehicle: str) -> dict[str, str]:
    """The same, with the name of the sensor block that judges where there are several."""
    own = [block for block in results.accelerometers if block.vehicle == vehicle]
    chosen = next((block.name for block in own if block.primary), None)
    if len(own) < 2 or chosen is None:
        return origin
    plain = _ORIGIN["accelerometer"]
    return {n: f"{plain} {chosen}" if text == plain else text for n, text in origin.items()}


def _quantities(
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
