"""Two channels whose cables were exchanged."""

from __future__ import annotations

from itertools import combinations

from tracker.accelerometers.faults import ChannelFault
from tracker.crosscheck.fault_hypotheses import FaultChoice, Fit, fit
from tracker.crosscheck.options import CROSS_CHECK
from tracker.crosscheck.predicted_channels import AXES, RATES, Predicted
from tracker.crosscheck.residuals import Evidence


def find_swap(
    evidence: dict[str, Evidence],
    choices: dict[str, FaultChoice | None],
    predictions: dict[str, Predicted],
) -> dict[str, ChannelFault]:
    """Findings for a pair of channels that the exchange explains better than faults of each.

    At least one of the two must differ significantly from the film; the exchange, each with
    either polarity, counts as a single fault for both.
    """
    best: tuple[float, str, str, Fit, Fit] | None = None
    for family in (AXES, RATES):
        present = [name for name in family if name in evidence]
        for a, b in combinations(present, 2):
            first, second = choices[a], choices[b]
            if first is None or second is None:
                continue
            if not (first.chosen.faults or second.chosen.faults):
                continue
            fit_a = _exchange_fit(evidence[a], predictions[b])
            fit_b = _exchange_fit(evidence[b], predictions[a])
            faults = len(first.chosen.faults) + len(second.chosen.faults)
            apart = first.chosen.chi2 + second.chosen.chi2 + CROSS_CHECK.swap_step * (faults - 1)
            together = fit_a.chi2 + fit_b.chi2
            if together < apart and (best is None or together < best[0]):
                best = (together, a, b, fit_a, fit_b)
    if best is None:
        return {}
    _, a, b, fit_a, fit_b = best
    return {
        a: _finding(a, b, evidence[a], predictions[b], fit_a),
        b: _finding(b, a, evidence[b], predictions[a], fit_b),
    }


def _exchange_fit(evidence: Evidence, other: Predicted) -> Fit:
    exchanged = evidence.with_prediction(other)
    return min((fit(exchanged, ()), fit(exchanged, ("polarity",))), key=lambda f: f.chi2)


def _finding(
    name: str, other: str, evidence: Evidence, predicted: Predicted, chosen: Fit
) -> ChannelFault:
    polarity = "polarity" in chosen.faults
    sign = -1.0 if polarity else 1.0
    scaled = fit(
        evidence.with_prediction(predicted), ("polarity", "scale") if polarity else ("scale",)
    )
    known = "scale" in scaled.estimate and scaled.chi2 < float("inf")
    estimate = sign * scaled.estimate["scale"] if known else sign
    u = scaled.u["scale"] if known else 0.0
    turned = " with reversed polarity" if polarity else ""
    return ChannelFault(
        name,
        "axis_swap",
        estimate,
        u,
        "1",
        f"{name} reads what the film gives for {other}{turned}: the two channels are exchanged",
    )
