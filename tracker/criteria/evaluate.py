"""Verdicts that take the uncertainty into account."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from tracker.core.types import Quantity
from tracker.criteria.sets import Criteria, Limit, NominalMass, Tolerance, is_head_on
from tracker.results.verdicts import Criterion

Verdict = Literal["pass", "fail", "undetermined"]

SURE = 0.95  # probability from which a verdict is given
_CLASS = 0.10  # a vehicle this near to a nominal mass is taken to be of that class


@dataclass(frozen=True)
class PlannedImpact:
    """What the test plan asked for, SI; None where it doesn't say."""

    speed: float | None = None  # m/s
    angle: float | None = None  # rad
    offset: float | None = None  # m

    def of(self, what: str) -> float | None:
        """The intended speed, angle or offset."""
        return {"speed": self.speed, "angle": self.angle, "offset": self.offset}[what]


def evaluate(
    criteria: Criteria,
    quantities: Mapping[str, Quantity | None],
    plan: PlannedImpact | None = None,
    striking_mass: float | None = None,
    struck_mass: float | None = None,
    origin: Mapping[str, str] | None = None,
) -> tuple[Criterion, ...]:
    """Every requirement of a set on one striking vehicle.

    Parameters
    ----------
    criteria : the set.
    quantities : results by their names in `tracker.criteria.sets.QUANTITIES`, SI; accelerations
        in g. None or absent: not determined.
    plan : intended impact conditions.
    striking_mass, struck_mass : kg.
    origin : where a quantity comes from, for the note.

    A requirement is passed if the probability that the true value meets it is at least 0.95
    (normal distribution, GUM), failed if it is at most 0.05, undetermined between, and
    undetermined without a value, and for a limit of head-on or angled tests where the plan states
    no angle. Where the record ends while a quantity still grows (`at_end`), the
    value is the least that it can be: that may fail a limit, and passes none. Values and limits are
    SI.
    """
    plan = plan or PlannedImpact()
    found = [
        _limit(limit, quantities, origin or {}, plan.angle)
        for limit in criteria.limits
        if limit.when == "always"
        or plan.angle is None
        or (limit.when == "head-on") == is_head_on(plan.angle)
    ]
    conditions = [
        _tolerance(tolerance, quantities, intended, origin or {})
        for tolerance in criteria.tolerances
        if (intended := plan.of(tolerance.intended)) is not None
    ]
    for role, mass in (("striking", striking_mass), ("struck", struck_mass)):
        nominal = nominal_mass(criteria, mass, role)
        if nominal is not None and mass is not None:
            conditions.append(_mass(nominal, mass))
    energy = _severity(criteria, quantities, plan, striking_mass)
    conditions += [] if energy is None else [energy]
    return (*_governed(found), *(replace(c, kind="test_condition") for c in conditions))


def _governed(found: list[Criterion]) -> list[Criterion]:
    """The same, with the required one that has the least margin marked as the one that governs."""
    margins = [math.inf if c.margin is None or c.preferred else c.margin for c in found]
    least = min(margins, default=math.inf)
    if not math.isfinite(least):
        return found
    k = margins.index(least)
    return [replace(c, governs=i == k) for i, c in enumerate(found)]


def nominal_mass(criteria: Criteria, mass: float | None, role: str) -> NominalMass | None:
    """The standard vehicle whose mass (kg) is nearest, if it is within a tenth."""
    if mass is None:
        return None
    near = [
        m for m in criteria.masses if m.role == role and abs(mass - m.nominal) <= _CLASS * m.nominal
    ]
    return min(near, key=lambda m: abs(mass - m.nominal), default=None)


def probability_within(value: float, u: float, limit: float) -> float:
    """Probability that a normal variable has a magnitude of at most `limit`."""
    return probability_between(value, u, -limit, limit)


def probability_between(value: float, u: float, low: float, high: float) -> float:
    """Probability that a normal variable lies from `low` to `high`."""
    if not u > 0.0:
        slack = 1e-12 * max(abs(low), abs(high))
        return 1.0 if low - slack <= value <= high + slack else 0.0
    root = u * math.sqrt(2.0)
    return 0.5 * (math.erf((high - value) / root) - math.erf((low - value) / root))


def probability_above(value: float, u: float, limit: float) -> float:
    """Probability that a normal variable is at least `limit`."""
    if not u > 0.0:
        return 1.0 if value >= limit * (1.0 - 1e-12) else 0.0
    return 0.5 * math.erfc((limit - value) / (u * math.sqrt(2.0)))


def verdict(probability: float) -> Verdict:
    """What can be said of a requirement met with this probability."""
    if probability >= SURE:
        return "pass"
    return "fail" if probability <= 1.0 - SURE else "undetermined"


def _limit(
    limit: Limit,
    quantities: Mapping[str, Quantity | None],
    origin: Mapping[str, str],
    angle: float | None,
) -> Criterion:
    given = {name: q for name in limit.quantity if (q := quantities.get(name)) is not None}
    kind = "preferred, " if limit.preferred else ""
    if len(given) < len(limit.quantity):
        note = f"{kind}limit {limit.text}; not determined"
        return Criterion(
            limit.name, None, limit.most, limit.unit, "undetermined", limit.source, None, note
        )
    name = max(given, key=lambda name: abs(given[name].value))
    worst = given[name]
    told = f"; {origin[name]}" if name in origin else ""
    probability = probability_within(worst.value, worst.u, limit.most)
    found, met = verdict(probability), f"met with probability {_percent(probability)}"
    if any(q.at_end for q in given.values()) and found != "fail":
        found, met = "undetermined", "at least the value: the record ends while it may still grow"
    if limit.when != "always" and angle is None:
        found, met = "undetermined", f"for {limit.when} tests, and the plan states no angle"
    return Criterion(
        limit.name,
        worst.value,
        limit.most,
        limit.unit,
        found,
        limit.source,
        worst.u,
        f"{kind}limit {limit.text}; {met}{told}",
    )


def _tolerance(
    tolerance: Tolerance,
    quantities: Mapping[str, Quantity | None],
    intended: float,
    origin: Mapping[str, str],
) -> Criterion:
    quantity = quantities.get(tolerance.quantity)
    name, unit, source = tolerance.name, tolerance.unit, tolerance.source
    low, high = tolerance.around(intended)
    if quantity is None:
        note = f"tolerance {tolerance.text}; not determined"
        return Criterion(name, None, high, unit, "undetermined", source, None, note)
    told = f"; {origin[tolerance.quantity]}" if tolerance.quantity in origin else ""
    off = quantity.value - intended
    probability = probability_between(off, quantity.u, low, high)
    return Criterion(
        name,
        off,
        low if off < 0 and low != -high else high,
        unit,
        verdict(probability),
        source,
        quantity.u,
        f"achieved less intended, tolerance {tolerance.text};"
        f" met with probability {_percent(probability)}{told}",
    )


def _mass(nominal: NominalMass, mass: float) -> Criterion:
    off = mass - nominal.nominal
    return Criterion(
        f"mass of the {nominal.role} vehicle ({nominal.vehicle})",
        off,
        nominal.within,
        "kg",
        verdict(probability_within(off, 0.0, nominal.within)),
        nominal.source,
        None,
        f"stated less nominal; {nominal.text}",
    )


def _severity(
    criteria: Criteria,
    quantities: Mapping[str, Quantity | None],
    plan: PlannedImpact,
    mass: float | None,
) -> Criterion | None:
    """Kinetic energy of a head-on test, impact severity of an angled one, against their least.

    IS = m (V sin angle)^2 / 2 (MASH); a head-on test counts its whole kinetic energy.
    """
    rule, speed = criteria.severity, quantities.get("impact_speed")
    nominal = nominal_mass(criteria, mass, "striking")
    if rule is None or plan.speed is None or nominal is None or mass is None or speed is None:
        return None
    if is_head_on(plan.angle, rule.head_on):
        name, part, least_part, u_part = "kinetic energy at impact", 1.0, 1.0, 0.0
    else:
        angle = quantities.get("impact_angle")
        if angle is None or plan.angle is None:
            return None
        name, part, least_part = "impact severity", math.sin(angle.value), math.sin(plan.angle)
        u_part = angle.u / abs(math.tan(angle.value)) if angle.value else math.inf
    value = 0.5 * mass * (speed.value * part) ** 2
    least = rule.least * 0.5 * nominal.nominal * (plan.speed * least_part) ** 2
    u = 2.0 * value * math.hypot(speed.u / speed.value, u_part) if speed.value else 0.0
    probability = probability_above(value, u, least)
    return Criterion(
        name,
        value,
        least,
        "J",
        verdict(probability),
        rule.source,
        u,
        f"at least {rule.least * 100:g} % of that of a {nominal.vehicle} at the intended speed"
        f" and angle; met with probability {_percent(probability)}",
    )


def _percent(probability: float) -> str:
    if probability > 0.999:
        return "above 99.9 %"
    return "below 0.1 %" if probability < 0.001 else f"{probability * 100:.1f} %"
