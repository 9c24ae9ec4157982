"""The tables of a report, from the results."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite

from tracker.core.types import Quantity
from tracker.core.units import System
from tracker.report.blocks import TableBlock, table
from tracker.report.digits import NONE, at_least, in_report, round_with_u, unit_of, value_with_u
from tracker.report.wording import OCCUPANT, SOURCES, VEHICLE, VERDICTS, Name
from tracker.results.channels import CrossCheckResult
from tracker.results.roles import striking
from tracker.results.schema import Results, VehicleResult
from tracker.results.verdicts import Criterion

Row = tuple[str, ...]
MOTION_HEAD = ("", "value", "at (s)")
CRITERIA_HEAD = ("criterion", "value", "limit", "verdict")
FINDING_KINDS = {"m/s2": "acceleration", "rad/s": "angular_rate", "s": "time"}
BUDGET_NOTE = (
    "Each source was varied alone. Shares add to 100 % as far as a number is linear in what was "
    "varied and the sources are independent of each other; marks and smoothness are not quite."
)
FIT_NOTE = (
    "Measured place less where the solution puts the mark, whose place on its vehicle is solved "
    "within the uncertainty of its survey."
)
NO_CONTACT = (
    "The occupant would not have reached the interior: occupant impact velocity is the vehicle's "
    "change of velocity during contact."
)
ABBREVIATIONS = {
    "occupant impact velocity": "OIV",
    "Occupant impact velocity": "OIV",
    "idedown acceleration": "idedown",
    " (preferred)": ", preferred",
}


def conditions(results: Results) -> TableBlock | None:
    """Impact conditions: intended, achieved and their difference."""
    name = striking(results)
    vehicle = results.vehicles[name] if name else VehicleResult()
    system, wanted = results.test.report_units, results.test.intended
    rows: list[Row] = []
    for label, kind, target, found in (
        ("Speed", "speed", wanted.speed, vehicle.impact_speed),
        ("Angle", "angle", wanted.angle, vehicle.impact_angle),
        ("Offset, right +", "length", wanted.offset, vehicle.impact_offset),
    ):
        if target is None and found is None:
            continue
        unit, factor = unit_of(kind, system)
        plan = NONE if target is None else plain(target * factor)
        beside = NONE
        if target is not None and found is not None:
            beside = round_with_u((found.value - target) * factor, found.u * factor)[0]
        rows.append((name_with_unit(label, unit), plan, in_report(found, kind, system), beside))
    for each, entry in results.vehicles.items():
        if entry.mass is not None:
            unit, factor = unit_of("mass", system)
            rows.append(
                (name_with_unit(f"Mass, {each}", unit), NONE, f"{entry.mass * factor:.0f}", NONE)
            )
    note = ""
    check = results.speed_check
    if check is not None:
        unit, _ = unit_of("speed", system)
        verdict = "agrees with" if check.agrees else "DISAGREES with"
        trap = in_report(check.speed_trap, "speed", system)
        note = f"Speed trap {trap} {unit}: the film {verdict} it."
    if not rows:
        return None
    return table(
        "Impact conditions" + (f" of {name}" if name else ""),
        ("", "intended", "achieved", "difference"),
        rows,
        "lrcc",
        note,
    )


def verdicts(results: Results) -> TableBlock:
    """Each criterion with its value, limit, verdict and source."""
    system = results.test.report_units
    rows = [
        (
            *verdict_row(entry, system),
            f"{entry.source}; {entry.note}" if entry.note else entry.source,
        )
        for entry in results.criteria
    ]
    return table("Comparison with the criteria", (*CRITERIA_HEAD, "source"), rows, "lcrll")


def not_judged(results: Results) -> TableBlock | None:
    """What the standard asks for and this report does not judge, and why."""
    rows = [(entry.name, entry.why) for entry in results.not_judged]
    return table("Asked for and not judged here", ("", "why"), rows, "ll") if rows else None


def shortest(name: str) -> str:
    """A name that fits a third of a page: x is forward, y to the right."""
    return short_name(name).replace(", longitudinal", ", x").replace(", lateral", ", y")


def verdict_row(entry: Criterion, system: System) -> Row:
    """A criterion with value and limit in report units."""
    unit, factor = criterion_unit(entry, system)
    limit = NONE if entry.limit is None else plain(entry.limit * factor)
    u = None if entry.u is None else entry.u * factor
    value = NONE
    if entry.value is not None:
        value = at_least(entry.value, entry.at_end) + value_with_u(entry.value * factor, u)
    return (
        name_with_unit(entry.name, unit),
        value,
        f"≥ {limit}" if entry.sense == "least" else limit,
        verdict_word(entry),
    )


def criterion_unit(entry: Criterion, system: System) -> tuple[str, float]:
    """The report's unit of a criterion and the factor from the results'."""
    return unit_of(entry.measure, system) if entry.measure else (entry.unit, 1.0)


def verdict_word(entry: Criterion) -> str:
    """The verdict in words."""
    return VERDICTS.get(entry.word, entry.word)


def short_name(text: str) -> str:
    """A name that fits half a page; the trade knows OIV."""
    for long, short in ABBREVIATIONS.items():
        text = text.replace(long, short)
    return text


def occupant(
    results: Results,
    vehicle: str,
    fields: Mapping[str, Name] = OCCUPANT,
    sources: Mapping[str, str] = SOURCES,
) -> TableBlock | None:
    """Occupant risk from film, accelerometers and both, in columns."""
    system, risk = results.test.report_units, results.vehicles[vehicle].occupant
    columns = {
        text: getattr(risk, source)
        for source, text in sources.items()
        if getattr(risk, source) is not None
    }
    rows: list[Row] = []
    for field, name in fields.items():
        values = [getattr(column, field) for column in columns.values()]
        if any(value is not None for value in values):
            unit, _ = unit_of(name.kind, system)
            shown = [in_report(value, name.kind, system) for value in values]
            rows.append((name_with_unit(name.text, unit), *shown))
    if not rows:
        return None
    head = ("", *columns)
    known = [column for column in columns.values() if column.oiv_x is not None]
    note = NO_CONTACT if known and all(column.oiv_time is None for column in known) else ""
    return table(f"Occupant risk, {vehicle}", head, rows, "l" + "c" * len(columns), note)


def movement(
    results: Results, vehicle: str, fields: Mapping[str, Name] = VEHICLE
) -> TableBlock | None:
    """A vehicle's numbers that the films give, with the time of extremes."""
    system, entry = results.test.report_units, results.vehicles[vehicle]
    rows: list[Row] = []
    for field, name in fields.items():
        value: Quantity | None = getattr(entry, field)
        if value is not None:
            rows.append(movement_row(value, name, system))
    if entry.rest is not None:
        rows.append(("At rest at the end of the film", "yes" if entry.rest else "no", ""))
    if not rows:
        return None
    return table(f"Motion, {vehicle}", MOTION_HEAD, rows, "lcr")


def movement_row(value: Quantity, name: Name, system: System) -> Row:
    """A row of a table of motion."""
    unit, _ = unit_of(name.kind, system)
    return name_with_unit(name.text, unit), in_report(value, name.kind, system), at(value)


def crush(results: Results) -> Row | None:
    """The greatest crush as a row of a table of motion."""
    found = results.crush
    if found is None or found.max_dynamic is None:
        return None
    system = results.test.report_units
    unit, _ = unit_of("length", system)
    when = fixed_decimals(found.at, 3)
    return (
        name_with_unit(
            "Greatest dynamic crush" if found.kind == "crush" else "Greatest closing", unit
        ),
        in_report(found.max_dynamic, "length", system),
        when,
    )


def mark_fits(results: Results) -> TableBlock | None:
    """How well each mark agrees with the solution."""
    rows = [
        (camera, mark, str(fit.frames), fixed_decimals(fit.rms_px, 3), str(fit.rejected))
        for camera, entry in results.cameras.items()
        for mark, fit in entry.mark_fits.items()
    ]
    head = ("camera", "mark", "frames", "rms (px)", "rejected")
    return table("Residual of each mark", head, rows, "llrrr", FIT_NOTE) if rows else None


def budget(results: Results) -> TableBlock | None:
    """What makes up the uncertainty of the numbers: shares of the variance, a column a source."""
    system, found = results.test.report_units, results.budgets
    weight: dict[str, float] = {}
    for entry in found:
        for share in entry.shares:
            part = (share.u / entry.u) ** 2 if entry.u > 0 else 0.0
            weight[share.source] = weight.get(share.source, 0.0) + part
    sources = sorted(weight, key=lambda source: -weight[source])
    rows: list[Row] = []
    for entry in found:
        unit, factor = unit_of(entry.measure, system) if entry.measure else (entry.unit, 1.0)
        own = {share.source: share.u for share in entry.shares}
        parts = [percent(own.get(source), entry.u) for source in sources]
        rows.append((name_with_unit(entry.quantity, unit), significant(entry.u * factor), *parts))
    caption = "Uncertainty budgets: standard uncertainty, and the shares of its variance in %"
    head = ("number", "u", *sources)
    return table(caption, head, rows, "lr" + "r" * len(sources), BUDGET_NOTE) if rows else None


def percent(u: float | None, whole: float) -> str:
    """A source's share of the variance."""
    if u is None or not whole > 0:
        return NONE
    share = 100 * u**2 / whole**2
    return f"{share:.0f}" if share >= 0.5 else "< 1"


def cross_check(vehicle: str, check: CrossCheckResult, system: System) -> TableBlock | None:
    """The metrics of film against accelerometer velocity."""
    found = check.velocity
    if found is None:
        return None
    unit, factor = unit_of("speed", system)
    rows = [
        (name_with_unit(text, unit), fixed_decimals(None if value is None else value * factor, 3))
        for text, value in (
            ("Root mean square difference", found.rms),
            ("Largest difference", found.max),
        )
    ]
    if found.sprague_geers is not None:
        each = found.sprague_geers
        rows += [
            ("Sprague and Geers, magnitude", fixed_decimals(each.magnitude, 3)),
            ("Sprague and Geers, phase", fixed_decimals(each.phase, 3)),
            ("Sprague and Geers, comprehensive", fixed_decimals(each.comprehensive, 3)),
        ]
    rows += [(f"ISO/TS 18571, {name}", fixed_decimals(v, 3)) for name, v in found.iso18571.items()]
    caption = f"Velocity from film and from accelerometers, {vehicle}"
    return table(caption, ("", "value"), rows, "lr")


def findings(vehicle: str, check: CrossCheckResult, system: System) -> TableBlock | None:
    """What is wrong with each accelerometer channel."""
    rows = []
    for entry in check.findings:
        kind = FINDING_KINDS.get(entry.unit)
        unit, factor = unit_of(kind, system) if kind else (entry.unit, 1.0)
        u = None if entry.u is None else entry.u * factor
        estimate = NONE if entry.estimate is None else value_with_u(entry.estimate * factor, u)
        what = name_with_unit(entry.kind.replace("_", " "), unit)
        rows.append((entry.channel, what, estimate, entry.text))
    head = ("channel", "finding", "estimate", "")
    return table(f"Findings on the accelerometers, {vehicle}", head, rows, "llcl") if rows else None


def name_with_unit(text: str, unit: str) -> str:
    """A name with its unit."""
    return f"{text} ({unit})" if unit not in ("", "1") else text


def at(value: Quantity) -> str:
    """The time of an extreme, s."""
    return "" if value.time is None or not isfinite(value.time) else f"{value.time:.3f}"


def plain(value: float) -> str:
    """A number somebody else has fixed: no more digits than it needs."""
    if not isfinite(value):
        return NONE
    return f"{value:.5g}".replace("-", "−") if abs(value) > 1e-12 else "0"


def fixed_decimals(value: float | None, decimals: int = 2) -> str:
    """A number with that many decimals."""
    if value is None or not isfinite(value):
        return NONE
    return f"{value:.{decimals}f}".replace("-", "−")


def significant(u: float) -> str:
    """An uncertainty with two significant digits."""
    return value_with_u(u, u).split(" ")[0]
