"""Whether a vehicle's accelerometers can be believed: film against every channel."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.accelerometers.accelerometer import Accelerometer
from tracker.accelerometers.conditioning import Conditioned, condition
from tracker.accelerometers.faults import ChannelFault
from tracker.core.curve_metrics import (
    Iso18571,
    Residuals,
    SpragueGeers,
    is_accepted_by_w179,
    iso18571,
    residuals,
    sprague_geers,
)
from tracker.core.time_series import from_zero, integrate
from tracker.crosscheck.detectable import smallest_faults
from tracker.crosscheck.fault_hypotheses import FaultChoice, choose_faults
from tracker.crosscheck.film_clock import FilmClock, clock_rivals, film_speeds
from tracker.crosscheck.messages import dead_text, findings_of, offset_before_zero
from tracker.crosscheck.options import CROSS_CHECK
from tracker.crosscheck.predicted_channels import AXES, STATE_OF, UNIT, Predicted, predict
from tracker.crosscheck.residuals import ChannelTolerance, Evidence, Reading, channel_evidence
from tracker.crosscheck.swapped_channels import find_swap

Verdict = Literal["agree", "disagree", "undetermined"]

_ISO_STEP = 1e-4  # s


@dataclass(frozen=True)
class Agreement:
    """How a channel's integral agrees with the film's from time zero on."""

    time: Array  # (k,) s, from time zero
    film: Array  # (k,) m/s or rad, change from time zero
    film_u: Array  # (k,)
    channel: Array  # (k,)
    rms: float  # m/s or rad
    largest: float
    displacement_rms: float  # m or rad s
    displacement_largest: float
    final: float  # channel less film at the end
    final_u: float  # of it, the film's and a sound channel's together
    sprague_geers: SpragueGeers
    residuals: Residuals
    w179: bool
    iso18571: Iso18571

    @property
    def z(self) -> float:
        """Final difference over its standard uncertainty."""
        return self.final / self.final_u


@dataclass(frozen=True)
class ChannelCheck:
    """One channel against the film; `agreement` is None where there is nothing to compare."""

    channel: str
    verdict: Verdict
    agreement: Agreement | None
    choice: FaultChoice | None
    findings: tuple[ChannelFault, ...]
    text: str
    smallest: Mapping[str, float | None] = field(default_factory=dict)
    """By kind, the smallest fault that would have been found; empty without a comparison."""
    clock_rival: str | None = None  # the error of the film's clock that explains it as well


@dataclass(frozen=True)
class CrossCheck:
    """A sensor block against the film. `velocity` is that of the longitudinal channel."""

    verdict: Verdict
    velocity: Agreement | None
    channels: dict[str, ChannelCheck]
    findings: tuple[ChannelFault, ...]


def cross_check(
    accelerometer: Accelerometer,
    time: Array,
    state: Array,
    draws: Array,
    cg: Array,
    observed: NDArray[np.bool_] | None = None,
    tolerance: ChannelTolerance | None = None,
    clock: FilmClock | None = None,
) -> CrossCheck:
    """Film against every channel of a sensor block.

    Parameters
    ----------
    accelerometer : as `tracker.signals.read_accelerometer` gives it.
    time : (k,) s, times of the film.
    state : (k, 15) the film's motion of the cg in ground axes, from film evidence alone.
    draws : (m, k, 15) draws of it, at least 40.
    cg : (3,) vehicle axes, m.
    observed : (15,) or (k, 15) which columns of the motion the cameras determine; all if None.
    tolerance : what a sound channel may do.
    clock : what bears witness to the film's clock; by default nothing beside the film itself.
    """
    tolerance = tolerance or ChannelTolerance()
    known = condition(accelerometer)
    lever = accelerometer.at - np.asarray(cg, dtype=float)
    seen = _observed_mask(observed)
    checks: dict[str, ChannelCheck] = {}
    for name in (*accelerometer.channels, *accelerometer.dropped):
        own = tuple(f for f in accelerometer.findings if f.channel == name)
        text = f"the film does not determine what {name} should have read"
        verdict: Verdict = "disagree" if own else "undetermined"
        if name in accelerometer.dropped:
            text, verdict = accelerometer.dropped[name], "disagree"
        checks[name] = ChannelCheck(name, verdict, None, None, own, text)
    frame = float(np.median(np.diff(time))) if len(time) > 1 else 0.0
    enough = len(draws) >= CROSS_CHECK.fewest_draws
    for span, names in _spans(accelerometer, time) if enough else ():
        keep = _thin_samples(span)
        wanted = {name for name in (*AXES, *names) if seen[STATE_OF[name]]}
        predictions = predict(wanted, state[keep], draws[:, keep], time[keep], lever)
        evidence = {
            name: _evidence(name, predictions, known, accelerometer, tolerance)
            for name in names
            if name in predictions
        }
        beside = _Beside(evidence, predictions, film_speeds(state[keep], evidence), frame)
        checks |= _judge_channels(beside, accelerometer, known, clock or FilmClock())
    findings = tuple(f for check in checks.values() for f in check.findings)
    main = checks.get("ax")
    return CrossCheck(
        _overall(list(checks.values())), main.agreement if main else None, checks, findings
    )


@dataclass(frozen=True)
class _Beside:
    """Channels beside the film, over the times that all of them have."""

    evidence: Mapping[str, Evidence]
    predictions: Mapping[str, Predicted]
    speeds: Mapping[str, Array]  # (k,) the film's velocity along each channel's axis, m/s
    frame: float  # s between two frames


def _judge_channels(
    beside: _Beside, accelerometer: Accelerometer, known: Conditioned, clock: FilmClock
) -> dict[str, ChannelCheck]:
    """Every channel judged, with exchanged cables and errors of the film's clock in mind."""
    evidence = dict(beside.evidence)
    checks = {
        name: _check(one, known, tuple(f for f in accelerometer.findings if f.channel == name))
        for name, one in evidence.items()
    }
    swapped = find_swap(
        evidence, {n: c.choice for n, c in checks.items()}, dict(beside.predictions)
    )
    for name, finding in swapped.items():
        others = tuple(f for f in checks[name].findings if f.kind in ("saturation", "dropout"))
        own_only = tuple(f for f in others if f in accelerometer.findings)
        checks[name] = replace(
            checks[name], verdict="disagree", findings=(finding, *own_only), text=finding.text
        )
    choices = {n: j for n in evidence if (j := checks[n].choice) is not None}
    rivals = clock_rivals(evidence, choices, beside.speeds, beside.frame, clock)
    for name, rival in rivals.items():
        shown = name in swapped or any(f.channel == name for f in accelerometer.findings)
        checks[name] = _undecided_check(checks[name], rival, shown)
    return checks


def _undecided_check(check: ChannelCheck, rival: str, shown: bool) -> ChannelCheck:
    """A channel whose difference an error of the film's clock explains as well: neither is decided
    for, unless its own samples show a fault (`shown`).
    """
    if shown:
        return replace(check, clock_rival=rival)
    text = f"{check.channel} differs from the film: either {check.text}, or the film has {rival}"
    return replace(check, verdict="undetermined", findings=(), text=text, clock_rival=rival)


def combine(checks: Sequence[CrossCheck], names: Sequence[str]) -> CrossCheck:
    """Several sensor blocks of one vehicle; channels carry the block's name if there are more."""
    if len(checks) == 1:
        return checks[0]
    channels = {
        f"{name} {channel}": replace(
            check,
            findings=tuple(replace(f, channel=f"{name} {f.channel}") for f in check.findings),
        )
        for name, block in zip(names, checks, strict=True)
        for channel, check in block.channels.items()
    }
    sound = [c for c in checks if c.velocity is not None]
    best = min(sound, key=lambda c: c.velocity.rms if c.velocity else np.inf, default=None)
    return CrossCheck(
        _overall(list(channels.values())),
        best.velocity if best else None,
        channels,
        tuple(f for check in channels.values() for f in check.findings),
    )


def _evidence(
    name: str,
    predictions: dict[str, Predicted],
    known: Conditioned,
    accelerometer: Accelerometer,
    tolerance: ChannelTolerance,
) -> Evidence:
    predicted = predictions[name]
    values = known.channels[name]
    good = np.isfinite(values)
    others = [
        p.integral for n, p in predictions.items() if n != name and (n in AXES) == (name in AXES)
    ]
    clipped = [
        _clipped_integral(accelerometer, name, predicted.time, f.estimate)
        for f in accelerometer.findings
        if f.channel == name and f.kind == "saturation"
    ]
    return channel_evidence(
        Reading(name, known.time[good], values[good], known.offset_u[name], known.noise[name]),
        predicted,
        others=np.array(others).reshape(-1, len(predicted.time)),
        excused=np.array(clipped).reshape(-1, len(predicted.time)),
        tolerance=tolerance,
    )


def _clipped_integral(accelerometer: Accelerometer, name: str, at: Array, level: float) -> Array:
    """Integral (k,) that clipping may have cost: half the level over the clipped samples."""
    values = accelerometer.as_read[name]
    clipped = np.where(np.abs(values) >= CROSS_CHECK.clipped_share * level, np.sign(values), 0.0)
    return np.interp(at, accelerometer.time, integrate(accelerometer.time, 0.5 * level * clipped))


def _check(evidence: Evidence, known: Conditioned, own: tuple[ChannelFault, ...]) -> ChannelCheck:
    choice = choose_faults(evidence)
    name = evidence.channel
    agreement = _agreement(evidence)
    offset = known.offset[name]
    found = list(own)
    found += findings_of(choice, evidence, offset, have={f.kind for f in own})
    zero = offset_before_zero(name, offset, known.offset_u[name], evidence.tolerance)
    if zero is not None and not any(f.kind == "offset" for f in found):
        found.append(zero)
    if choice.significant or own:
        verdict: Verdict = "disagree"
        text = "; ".join(f.text for f in found) or dead_text(name)
    elif agreement.final_u > max(
        _limit(name), CROSS_CHECK.known_share * float(np.abs(agreement.film).max())
    ):
        verdict = "undetermined"
        text = f"the film knows {name}'s integral to {agreement.final_u:.2g} only"
    else:
        verdict = "agree"
        until = 1e3 * float(agreement.time[-1])
        text = f"{name} agrees with the film until {until:.0f} ms (z = {agreement.z:.1f})"
    return ChannelCheck(
        name, verdict, agreement, choice, tuple(found), text, smallest_faults(evidence)
    )


def _limit(name: str) -> float:
    """Uncertainty (m/s, rad) of the final difference beyond which there is no verdict."""
    return CROSS_CHECK.known_velocity if name in AXES else CROSS_CHECK.known_angle


def _agreement(evidence: Evidence) -> Agreement:
    time, (film, channel) = from_zero(evidence.film.time, evidence.film.integral, evidence.measured)
    _, (errors,) = from_zero(evidence.film.time, evidence.film.draws - evidence.film.integral)
    film, channel = film - film[0], channel - channel[0]
    errors = errors - errors[:, :1]
    difference = channel - film
    way = integrate(time, difference)
    film_u = np.sqrt(np.mean(errors**2, axis=0))
    metric, residual = sprague_geers(film, channel), residuals(film, channel)
    fine = np.arange(time[0], time[-1], _ISO_STEP)
    tolerance = evidence.tolerance
    own = (
        (tolerance.scale * film[-1]) ** 2
        + (tolerance.time * evidence.film.reading[-1]) ** 2
        + (evidence.offset_sd * max(float(time[-1]), 0.0)) ** 2
        + float(evidence.basis[-1] @ evidence.own @ evidence.basis[-1])
    )
    return Agreement(
        time,
        film,
        film_u,
        channel,
        float(np.sqrt(np.mean(difference**2))),
        float(np.abs(difference).max()),
        float(np.sqrt(np.mean(way**2))),
        float(np.abs(way).max()),
        float(difference[-1]),
        float(np.sqrt(film_u[-1] ** 2 + own)),
        metric,
        residual,
        is_accepted_by_w179(metric, residual),
        iso18571(np.interp(fine, time, film), np.interp(fine, time, channel), _ISO_STEP),
    )


def _spans(
    accelerometer: Accelerometer, time: Array
) -> Iterator[tuple[NDArray[np.intp], list[str]]]:
    """The film's times that are compared, and the channels that have all of them: one that ends
    sooner does not cut the others.
    """
    ends: dict[float, list[str]] = {}
    for name in accelerometer.channels:
        end = min(CROSS_CHECK.end, float(time[-1]), accelerometer.good_until[name])
        ends.setdefault(end, []).append(name)
    for end, names in sorted(ends.items(), reverse=True):
        inside = _span(accelerometer, time, end)
        if inside is not None:
            yield inside, names


def _span(accelerometer: Accelerometer, time: Array, end: float) -> NDArray[np.intp] | None:
    start = max(CROSS_CHECK.start, float(accelerometer.time[0]))
    inside = np.flatnonzero((time >= start) & (time <= end))
    if (
        len(inside) < CROSS_CHECK.least_samples
        or time[inside[-1]] < CROSS_CHECK.shortest
        or time[inside[0]] > 0.0
    ):
        return None
    return inside


def _thin_samples(inside: NDArray[np.intp]) -> NDArray[np.intp]:
    return inside[:: int(np.ceil(len(inside) / CROSS_CHECK.most_samples))]


def _observed_mask(observed: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    if observed is None:
        return np.ones(15, dtype=bool)
    return observed if observed.ndim == 1 else observed.mean(axis=0) > 0.5


def _overall(checks: list[ChannelCheck]) -> Verdict:
    if any(check.verdict == "disagree" for check in checks):
        return "disagree"
    longitudinal = [c for c in checks if c.channel == "ax"] or checks
    return "agree" if any(c.verdict == "agree" for c in longitudinal) else "undetermined"


__all__ = ["UNIT", "Agreement", "ChannelCheck", "CrossCheck", "combine", "cross_check"]
