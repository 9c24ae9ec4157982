"""Every requirement of a criteria set on one vehicle."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from tracker.core.types import Quantity
from tracker.criteria.decision import GUARDED, met_above, met_between, met_within, percent, verdict
from tracker.criteria.options import CRITERIA
from tracker.criteria.sets import Criteria, Device, Limit, NominalMass, Tolerance, is_head_on
from tracker.criteria.sets import measure as measure_of
from tracker.results.verdicts import Criterion, DecisionRule

GROWS = "at least the value: the record ends while it may still grow, or shows it smoothed"


@dataclass(frozen=True)
class PlannedImpact:
    """What the test plan asked for, SI; None where it doesn't say."""

    speed: float | None = None  # m/s
    angle: float | None = None  # rad
    offset: float | None = None  # m
    device: Device = "other"

    def of(self, what: str) -> float | None:
        """The intended speed, angle or offset."""
        return {"speed": self.speed, "angle": self.angle, "offset": self.offset}[what]


@dataclass(frozen=True)
class Measured:
    """What is known of one vehicle in a test.

    quantities : results by their names in `tracker.criteria.sets.QUANTITIES`, SI; accelerations in
        g. None or absent: not determined.
    masses : by role ("striking", "struck"), kg.
    origin : where a quantity comes from, for the note.
    """

    quantities: Mapping[str, Quantity | None]
    masses: Mapping[str, Quantity] = field(default_factory=dict)
    origin: Mapping[str, str] = field(default_factory=dict)

    def from_where(self, name: str) -> str:
        """Where a quantity comes from, as the end of a note."""
        return f"; {self.origin[name]}" if name in self.origin else ""


def evaluate(
    criteria: Criteria,
    measured: Measured,
    plan: PlannedImpact | None = None,
    rule: DecisionRule = GUARDED,
) -> tuple[Criterion, ...]:
    """Every requirement of a set on one striking vehicle.

    A requirement is passed, failed or undetermined by the decision rule (normal distribution,
    GUM), and undetermined without a value, and for a limit of head-on or angled tests where the
    plan states no angle. Where the record ends while a quantity still grows (`at_end`), the value
    is the least that it can be: that may fail a limit, and passes none. Values and limits are SI.
    Limits of other devices than the plan's are left out.
    """
    plan = plan or PlannedImpact()
    found = [
        _limit(limit, measured, plan.angle, rule)
        for limit in criteria.limits
        if limit.is_for(plan.device) and is_applicable(limit, plan.angle)
    ]
    conditions = [
        _tolerance(tolerance, measured, intended, rule)
        for tolerance in criteria.tolerances
        if (intended := plan.of(tolerance.intended)) is not None
    ]
    for role in ("striking", "struck"):
        mass = measured.masses.get(role)
        nominal = nominal_mass(criteria, mass, role)
        if nominal is not None and mass is not None:
            conditions.append(_mass(nominal, mass, rule))
    energy = _severity(criteria, measured, plan, rule)
    conditions += [] if energy is None else [energy]
    return (*_mark_governing(found), *(replace(c, kind="test_condition") for c in conditions))


def is_applicable(limit: Limit, angle: float | None) -> bool:
    """Whether a limit is one for tests at this intended angle; True where none is stated."""
    return limit.when == "always" or angle is None or (limit.when == "head-on") == is_head_on(angle)


def nominal_mass(criteria: Criteria, mass: Quantity | None, role: str) -> NominalMass | None:
    """The standard vehicle whose mass (kg) is nearest, if it is within a tenth."""
    if mass is None:
        return None
    near = [
        m
        for m in criteria.masses
        if m.role == role and abs(mass.value - m.nominal) <= CRITERIA.class_share * m.nominal
    ]
    return min(near, key=lambda m: abs(mass.value - m.nominal), default=None)


def _mark_governing(found: list[Criterion]) -> list[Criterion]:
    """The same, with the required one that has the least margin marked as the one that governs."""
    margins = [math.inf if c.margin is None or c.preferred else c.margin for c in found]
    least = min(margins, default=math.inf)
    if not math.isfinite(least):
        return found
    k = margins.index(least)
    return [replace(c, governs=i == k) for i, c in enumerate(found)]


def _limit(limit: Limit, measured: Measured, angle: float | None, rule: DecisionRule) -> Criterion:
    given = {n: q for n in limit.quantity if (q := measured.quantities.get(n)) is not None}
    limited = f"{'preferred, ' if limit.preferred else ''}limit {limit.text}"
    asked = Criterion(
        limit.name,
        None,
        limit.most,
        limit.unit,
        "undetermined",
        limit.source,
        note=f"{limited}; not determined",
        preferred=limit.preferred,
        measure=measure_of(limit.quantity[0]),
    )
    if len(given) < len(limit.quantity):
        return asked
    name = max(given, key=lambda name: abs(given[name].value))
    worst = given[name]
    met = met_within(worst.value, worst.u, limit.most)
    found, how = verdict(met, rule), f"met with probability {percent(met.probability)}"
    grows = any(q.at_end for q in given.values())
    if grows and found != "fail":
        found, how = "undetermined", GROWS
    if limit.when != "always" and angle is None:
        found, how = "undetermined", f"for {limit.when} tests, and the plan states no angle"
    return replace(
        asked,
        value=worst.value,
        u=worst.u,
        verdict=found,
        note=f"{limited}; {how}{measured.from_where(name)}",
        probability=met.probability,
        at_end=grows,
    )


def _tolerance(
    tolerance: Tolerance, measured: Measured, intended: float, rule: DecisionRule
) -> Criterion:
    quantity = measured.quantities.get(tolerance.quantity)
    low, high = tolerance.around(intended)
    asked = Criterion(
        tolerance.name,
        None,
        high,
        tolerance.unit,
        "undetermined",
        tolerance.source,
        note=f"tolerance {tolerance.text}; not determined",
        sense="within",
        measure=measure_of(tolerance.quantity),
    )
    if quantity is None:
        return asked
    off = quantity.value - intended
    met = met_between(off, quantity.u, low, high)
    return replace(
        asked,
        value=off,
        limit=low if off < 0 and low != -high else high,
        verdict=verdict(met, rule),
        u=quantity.u,
        note=f"achieved less intended, tolerance {tolerance.text};"
        f" met with probability {percent(met.probability)}"
        f"{measured.from_where(tolerance.quantity)}",
        probability=met.probability,
    )


def _mass(nominal: NominalMass, mass: Quantity, rule: DecisionRule) -> Criterion:
    off = mass.value - nominal.nominal
    met = met_within(off, mass.u, nominal.within)
    return Criterion(
        f"mass of the {nominal.role} vehicle ({nominal.vehicle})",
        off,
        nominal.within,
        "kg",
        verdict(met, rule),
        nominal.source,
        mass.u or None,
        f"stated less nominal; {nominal.text}; met with probability {percent(met.probability)}",
        sense="within",
        measure="mass",
        probability=met.probability,
    )


def _severity(
    criteria: Criteria, measured: Measured, plan: PlannedImpact, decision: DecisionRule
) -> Criterion | None:
    """Kinetic energy of a head-on test, impact severity of an angled one, against their least.

    IS = m (V sin angle)^2 / 2 (MASH); a head-on test counts its whole kinetic energy; None where
    the plan states no angle. Speed, angle and mass carry their uncertainty.
    """
    rule, speed = criteria.severity, measured.quantities.get("impact_speed")
    mass = measured.masses.get("striking")
    nominal = nominal_mass(criteria, mass, "striking")
    if rule is None or plan.speed is None or nominal is None or mass is None or speed is None:
        return None
    if plan.angle is None:
        return None
    if is_head_on(plan.angle, rule.head_on):
        name, part, least_part, u_part = "kinetic energy at impact", 1.0, 1.0, 0.0
    else:
        angle = measured.quantities.get("impact_angle")
        if angle is None:
            return None
        name, part, least_part = "impact severity", math.sin(angle.value), math.sin(plan.angle)
        u_part = angle.u / abs(math.tan(angle.value)) if angle.value else math.inf
    value = 0.5 * mass.value * (speed.value * part) ** 2
    least = rule.least * 0.5 * nominal.nominal * (plan.speed * least_part) ** 2
    shares = 2.0 * math.hypot(speed.u / speed.value, u_part) if speed.value else 0.0
    u = value * math.hypot(shares, mass.u / mass.value)
    met = met_above(value, u, least)
    return Criterion(
        name,
        value,
        least,
        "J",
        verdict(met, decision),
        rule.source,
        u,
        f"at least {rule.least * 100:g} % of that of a {nominal.vehicle} at the intended speed"
        f" and angle; met with probability {percent(met.probability)}",
        sense="least",
        measure="energy",
        probability=met.probability,
    )
