"""Findings of a cross-check as sentences with numbers."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from calibration.constants import GRAVITY
from tracker.accelerometers.faults import ChannelFault
from tracker.crosscheck.fault_hypotheses import Fault, FaultChoice
from tracker.crosscheck.options import CROSS_CHECK
from tracker.crosscheck.predicted_channels import AXES, UNIT
from tracker.crosscheck.residuals import ChannelTolerance, Evidence

_NAMES: dict[str, str] = {
    "scale": "a wrong scale",
    "offset": "an offset",
    "polarity": "reversed polarity",
    "time_shift": "a shift in time",
    "dropout": "a dropout",
    "saturation": "clipping",
}


def findings_of(
    choice: FaultChoice, evidence: Evidence, offset: float, have: Collection[str]
) -> list[ChannelFault]:
    """A finding for each fault of the chosen explanation that is not in `have` already."""
    rivals = [
        " and ".join(_NAMES[f] for f in fit.faults)
        for fit in choice.rivals
        if fit.chi2 < float("inf")
    ]
    alternatives = (
        f" (or {', or '.join(rivals[:2])}: they explain it nearly as well)" if rivals else ""
    )
    found = []
    for fault in choice.chosen.faults:
        if fault in have:
            continue
        value, u = choice.chosen.estimate[fault], choice.chosen.u[fault]
        if fault == "offset":
            value += offset
        text = _sentence(evidence.channel, fault, value, u) + alternatives
        found.append(
            ChannelFault(evidence.channel, fault, value, u, _unit(evidence.channel, fault), text)
        )
    return found


def offset_before_zero(
    channel: str, offset: float, u: float, tolerance: ChannelTolerance
) -> ChannelFault | None:
    """A finding for a reading before time zero that is large enough to matter."""
    limit = tolerance.zero if channel in AXES else tolerance.rate_zero
    if not np.isfinite(u) or abs(offset) < max(limit, CROSS_CHECK.offset_sigmas * u):
        return None
    text = (
        f"{channel} reads {_amount(channel, offset)} before time zero;"
        " it was taken off, so the results hold"
    )
    return ChannelFault(channel, "offset", offset, u, UNIT[channel], text)


def dead_text(channel: str) -> str:
    """For a channel that differs in a way no fault explains."""
    return f"{channel} differs from the film, and no single fault explains how"


def _unit(channel: str, fault: Fault) -> str:
    if fault in ("scale", "polarity"):
        return "1"
    return "s" if fault in ("time_shift", "dropout") else UNIT[channel]


def _sentence(channel: str, fault: Fault, value: float, u: float) -> str:
    if fault == "scale":
        more = "more" if value > 1 else "less"
        return (
            f"{channel} reads {abs(value - 1) * 100:.1f} % {more} than the film gives"
            f" (u = {u * 100:.1f} %)"
        )
    if fault == "offset":
        return f"{channel} has an offset of {_amount(channel, value)} (u = {_amount(channel, u)})"
    if fault == "polarity":
        return f"{channel} has reversed polarity"
    if fault == "time_shift":
        late = "late" if value > 0 else "early"
        return f"{channel} is {abs(value) * 1e3:.1f} ms {late} (u = {u * 1e3:.1f} ms)"
    if fault == "dropout":
        return f"{channel} stops reading at {value * 1e3:.0f} ms (u = {u * 1e3:.0f} ms)"
    return f"{channel} seems clipped at {_amount(channel, value)} (u = {_amount(channel, u)})"


def _amount(channel: str, value: float) -> str:
    if channel in AXES:
        return f"{value / GRAVITY:.2f} g"
    return f"{np.degrees(value):.1f} deg/s"
