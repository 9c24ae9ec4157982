"""Every accelerometer channel beside the film, as a table."""

from __future__ import annotations

from tracker.core.units import System
from tracker.report.blocks import TableBlock, table
from tracker.report.digits import NONE, unit_of, value_with_u
from tracker.report.tables import fixed_decimals
from tracker.report.wording import VERDICTS
from tracker.results.channels import ChannelAgreement, CrossCheckResult

HEAD = (
    "channel",
    "verdict",
    "less film at end",
    "over u",
    "rms",
    "way, max",
    "S&G",
    "mean, sd",
    "W179",
    "ISO/TS 18571",
)
NOTE = (
    "Integrals from time zero, in the units in brackets: accelerations to velocity and, under way, "
    "to displacement; rates to angle and its integral. S&G: Sprague and Geers, magnitude, phase. "
    "Mean, sd: of the residuals over the film's largest. W179: accepted by NCHRP Web-Only Document "
    "179. These metrics describe; the verdict is that of the uncertainties. Where the film shows "
    "next to nothing along an axis, the metrics say nothing."
)


def channels(vehicle: str, check: CrossCheckResult, system: System) -> TableBlock | None:
    """One row a channel; None where there are none."""
    rows = [_row(name, one, system) for name, one in check.channels.items()]
    if not rows:
        return None
    return table(f"Channels beside the film, {vehicle}", HEAD, rows, "llcrrrrrll", NOTE)


def _row(name: str, one: ChannelAgreement, system: System) -> tuple[str, ...]:
    unit, factor = unit_of("speed" if one.unit == "m/s" else "angle", system)
    long, metres = unit_of("length", system) if one.unit == "m/s" else (f"{unit} s", factor)
    metric, final = one.sprague_geers, one.final
    if final is None:
        return (f"{name} ({unit}, {long})", VERDICTS[one.verdict], *[NONE] * (len(HEAD) - 2))
    return (
        f"{name} ({unit}, {long})",
        VERDICTS[one.verdict],
        value_with_u(final.value * factor, final.u * factor),
        fixed_decimals(round(final.value / final.u, 1) + 0.0, 1),
        _short(one.rms, factor),
        _short(one.displacement_max, metres),
        NONE
        if metric is None
        else f"{fixed_decimals(metric.magnitude, 3)}, {fixed_decimals(metric.phase, 3)}",
        f"{fixed_decimals(one.residual_mean, 3)}, {fixed_decimals(one.residual_sd, 3)}",
        "yes" if one.w179 else "no",
        fixed_decimals(one.iso18571, 3),
    )


def _short(value: float | None, factor: float) -> str:
    return NONE if value is None else f"{value * factor:.2g}"
