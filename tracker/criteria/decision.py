"""Decision rules: from a value, its uncertainty and its limit to a verdict (JCGM 106:2012)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from tracker.criteria.options import CRITERIA
from tracker.results.verdicts import DecisionRule, Verdict

_BAND = NormalDist().inv_cdf(CRITERIA.sure)
_SURE = f"{CRITERIA.sure * 100:g} %"

GUARDED = DecisionRule(
    "guarded",
    CRITERIA.sure,
    "Guarded decision (JCGM 106): a requirement is passed where the probability that the true "
    f"value meets it is at least {_SURE}, that is where the value keeps {_BAND:.2f} standard "
    f"uncertainties from the limit; it is failed where that probability is at most "
    f"{(1 - CRITERIA.sure) * 100:g} %, and undetermined between.",
)
SIMPLE = DecisionRule(
    "simple",
    CRITERIA.sure,
    "Simple acceptance (JCGM 106): a requirement is passed where the value itself meets the limit, "
    "whatever its uncertainty, and failed where it does not. Near a limit the risk of a wrong "
    "verdict is up to 50 %.",
)
RULES = {rule.name: rule for rule in (GUARDED, SIMPLE)}


@dataclass(frozen=True)
class Met:
    """Whether a requirement is met: by the value itself, and with which probability."""

    itself: bool
    probability: float


def met_within(value: float, u: float, limit: float) -> Met:
    """Whether a magnitude is at most `limit`."""
    return met_between(value, u, -limit, limit)


def met_between(value: float, u: float, low: float, high: float) -> Met:
    """Whether a value lies from `low` to `high`; a rounding error beyond counts as inside."""
    slack = 1e-12 * max(abs(low), abs(high))
    itself = low - slack <= value <= high + slack
    if not u > 0.0:
        return Met(itself, float(itself))
    root = u * math.sqrt(2.0)
    return Met(itself, 0.5 * (math.erf((high - value) / root) - math.erf((low - value) / root)))


def met_above(value: float, u: float, limit: float) -> Met:
    """Whether a value is at least `limit`."""
    itself = value >= limit * (1.0 - 1e-12)
    if not u > 0.0:
        return Met(itself, float(itself))
    return Met(itself, 0.5 * math.erfc((limit - value) / (u * math.sqrt(2.0))))


def verdict(met: Met, rule: DecisionRule = GUARDED) -> Verdict:
    """What a rule concludes of a requirement."""
    if rule.name == "simple":
        return "pass" if met.itself else "fail"
    if met.probability >= rule.probability:
        return "pass"
    return "fail" if met.probability <= 1.0 - rule.probability else "undetermined"


def percent(probability: float) -> str:
    """A probability as a note writes it."""
    if probability > 0.999:
        return "above 99.9 %"
    return "below 0.1 %" if probability < 0.001 else f"{probability * 100:.1f} %"
