"""What a criteria set asks for and an analysis does not judge, and why."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tracker.criteria.evaluate import Measured, PlannedImpact, nominal_mass
from tracker.criteria.sets import Criteria
from tracker.results.verdicts import Criterion, NotJudged

NO_VALUE = "neither films nor accelerometers of this record determine it"


def outside(criteria: Criteria, plan: PlannedImpact) -> tuple[NotJudged, ...]:
    """What films and accelerometers do not show, by the set, and limits that the set lacks."""
    listed = [NotJudged(aspect.name, aspect.why) for aspect in criteria.not_judged]
    if plan.device != "other":
        others = any(not limit.is_for(plan.device) for limit in criteria.limits)
        own = any(limit.device and limit.is_for(plan.device) for limit in criteria.limits)
        if others and not own:
            why = "this set holds the limits of other devices only"
            listed.append(NotJudged(f"limits for a {plan.device} device", why))
    return tuple(listed)


def lacking(
    criteria: Criteria, measured: Measured, plan: PlannedImpact, found: Sequence[Criterion]
) -> tuple[NotJudged, ...]:
    """What films and accelerometers could show, and this record doesn't; one a requirement."""
    named = dict(
        [
            *_without_value(found),
            *_without_angle(criteria, plan),
            *_without_plan(criteria, plan),
            *_without_mass(criteria, measured),
            *_without_severity(criteria, measured, plan, found),
        ]
    )
    return tuple(NotJudged(name, why, "lacking") for name, why in named.items())


def _without_value(found: Sequence[Criterion]) -> Iterator[tuple[str, str]]:
    for criterion in found:
        if criterion.value is None and not criterion.preferred:
            yield criterion.name, NO_VALUE


def _without_angle(criteria: Criteria, plan: PlannedImpact) -> Iterator[tuple[str, str]]:
    for limit in criteria.limits:
        if plan.angle is None and limit.when != "always" and limit.is_for(plan.device):
            yield limit.name, "the record states no intended angle: head-on or angled is not known"


def _without_plan(criteria: Criteria, plan: PlannedImpact) -> Iterator[tuple[str, str]]:
    for tolerance in criteria.tolerances:
        if plan.of(tolerance.intended) is None:
            yield tolerance.name, f"the record states no intended {tolerance.intended}"


def _without_mass(criteria: Criteria, measured: Measured) -> Iterator[tuple[str, str]]:
    mass = measured.masses.get("striking")
    if not any(nominal.role == "striking" for nominal in criteria.masses):
        return
    if mass is None:
        yield "mass of the striking vehicle", "the record states none"
    elif nominal_mass(criteria, mass, "striking") is None:
        yield "mass of the striking vehicle", f"no standard vehicle is near {mass.value:.0f} kg"


def _without_severity(
    criteria: Criteria, measured: Measured, plan: PlannedImpact, found: Sequence[Criterion]
) -> Iterator[tuple[str, str]]:
    if criteria.severity is None or any(criterion.measure == "energy" for criterion in found):
        return
    mass = measured.masses.get("striking")
    missing = [
        text
        for text, there in (
            ("the mass of a standard vehicle", nominal_mass(criteria, mass, "striking")),
            ("an intended speed", plan.speed),
            ("an intended angle", plan.angle),
            ("an impact speed", measured.quantities.get("impact_speed")),
        )
        if there is None
    ]
    why = " and ".join(missing or ["a measured impact angle"])
    yield "kinetic energy or impact severity", f"it takes {why}, which this record lacks"
