"""A vehicle's accelerometers: every block's figures, the one that judges, each beside the film."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.accelerometers import Accelerometer
from tracker.accelerometers.conditioning import channel_class
from tracker.core.time_series import from_zero, integrate
from tracker.core.types import Quantity
from tracker.crosscheck import ChannelCheck, CrossCheck, combine, cross_check
from tracker.crosscheck.film_clock import FilmClock
from tracker.crosscheck.predicted_channels import AXES
from tracker.outcome.accelerometer_risk import (
    BlockRisk,
    FilmAttitude,
    accelerometer_risk,
    cg_acceleration_draws,
)
from tracker.outcome.headline import COLUMN
from tracker.pipeline.options import EVALUATION
from tracker.pipeline.vehicle_result import VehicleMotion, occupant_result
from tracker.results.channels import (
    ChannelAgreement,
    ChannelFinding,
    CrossCheckResult,
    SpragueGeersResult,
    VelocityComparison,
)
from tracker.results.schema import AccelerometerResult, Curve, OccupantResult

SAMPLE_FAULTS = ("saturation", "dropout")
"""Faults that a channel shows by itself: the samples concerned can be left out."""


@dataclass(frozen=True)
class Instrumented:
    """The figures of a vehicle's accelerometers, alone and beside the film."""

    occupant: OccupantResult | None  # of the block that judges
    cross_check: CrossCheckResult | None
    curves: tuple[Curve, ...]
    warnings: tuple[Diagnostic, ...]
    checks: tuple[CrossCheck, ...] = ()  # of each block; empty without a film
    blocks: tuple[AccelerometerResult, ...] = ()


def assess_sensor_blocks(
    vehicle: str,
    blocks: Sequence[Accelerometer],
    place: Sequence[float],
    distances: tuple[float, float],
    film: VehicleMotion | None,
    clock: FilmClock | None = None,
) -> Instrumented:
    """Occupant risk from every sensor block, and each block against the film, to whose clock
    `clock` bears witness.

    The block that judges is the record's primary one, else the one nearest to the cg at `place`,
    vehicle axes, m; the next one takes its place, and a warning says so, where its ax can't be
    used.
    """
    cg = np.array(place)
    where = f"accelerometers ({vehicle})"
    attitude = None
    checks: list[CrossCheck] = []
    warnings: list[Diagnostic] = []
    if film is not None:
        samples = film.samples
        state, observed = film.known.state, film.known.observed_mask
        yaw_share = observed[:, COLUMN["yaw_rate_radps"]].mean()
        yaw_observed = bool(yaw_share > EVALUATION.determined_share)
        attitude = FilmAttitude(samples.time, state, samples.draws, yaw_observed)
        checks = [
            cross_check(b, samples.time, state, samples.draws, cg, observed, clock=clock)
            for b in blocks
        ]
    risks = [
        accelerometer_risk(
            block,
            cg,
            distances,
            film=attitude,
            faults=contradicted_channels(checks[k]) if checks else None,
        )
        for k, block in enumerate(blocks)
    ]
    for block, risk in zip(blocks, risks, strict=True):
        notes = (*block.notes, *risk.notes)
        warnings += [Diagnostic("accelerometer_note", note, where) for note in notes]
        for channel, reason in risk.faults.items():
            text = f"{channel} of accelerometer {block.name}: {reason}; no figure rests on it"
            warnings.append(Diagnostic("channel_fault", text, where))
        warnings += _ends(block, risk, where)
    warnings += [
        Diagnostic("clock_or_channel", one.text, f"{where}, {name}")
        for check in checks
        for name, one in check.channels.items()
        if one.clock_rival is not None and one.verdict == "undetermined"
    ]
    chosen, more = _judging(blocks, risks, cg, where)
    warnings += [*more, *_disagreeing(blocks, risks, where)]
    occupant = None if chosen is None else occupant_result(risks[chosen].figures)
    alone = [] if chosen is None or film is not None else _velocity(vehicle, blocks[chosen], cg)
    together = combine(checks, [b.file for b in blocks]) if checks else None
    curves = (
        [
            Curve(vehicle, "velocity_x", "film", "m/s", v.time, v.film, v.film_u),
            Curve(vehicle, "velocity_x", "accelerometer", "m/s", v.time, v.channel),
        ]
        if together is not None and (v := together.velocity) is not None
        else alone
    )
    checked = None if together is None else _cross_check_result(together)
    figures = tuple(
        AccelerometerResult(
            block.name,
            vehicle,
            k == chosen,
            tuple(
                ChannelFinding(f.channel, f.kind, f.estimate, f.u, f.unit, f.text)
                for f in (checks[k].findings if checks else block.findings)
            ),
            occupant_result(risk.figures),
            1.0 / block.interval,
            channel_class(block),
        )
        for k, (block, risk) in enumerate(zip(blocks, risks, strict=True))
    )
    return Instrumented(occupant, checked, tuple(curves), tuple(warnings), tuple(checks), figures)


def contradicted_channels(check: CrossCheck) -> dict[str, str]:
    """Channels that the film contradicts, and the faults that explain it."""
    return {
        name: ", ".join(kinds) or "differs from the film"
        for name, one in check.channels.items()
        if one.verdict == "disagree"
        and one.choice is not None
        and (
            (kinds := [f.kind for f in one.findings if f.kind not in SAMPLE_FAULTS])
            or not one.findings
        )
    }


def _ends(block: Accelerometer, risk: BlockRisk, where: str) -> list[Diagnostic]:
    """Channels of a block that died too early to be used, and an ax that ends in contact."""
    found = [
        Diagnostic("channel_fault", f"accelerometer {block.name}: {text}; not used", where)
        for name, text in block.dropped.items()
        if name not in risk.faults
    ]
    if risk.open_from is not None:
        text = (
            f"ax of accelerometer {block.name} ends at {risk.open_from * 1e3:.0f} ms, while "
            "contact goes on or just after: figures that need it are the least that they can be, "
            "and those that it does not reach are left open"
        )
        found.append(Diagnostic("readings_end_in_contact", text, where))
    return found


def _judging(
    blocks: Sequence[Accelerometer], risks: Sequence[BlockRisk], cg: Array, where: str
) -> tuple[int | None, list[Diagnostic]]:
    """Which block's figures judge the vehicle; None: none can."""
    near = [float(np.linalg.norm(block.at - cg)) for block in blocks]
    order = sorted(range(len(blocks)), key=lambda k: (not blocks[k].primary, near[k]))
    usable = [k for k in order if risks[k].figures["oiv_x"] is not None]
    if not usable:
        return None, []
    first, used = blocks[order[0]].name, blocks[usable[0]].name
    if first == used:
        return usable[0], []
    text = f"accelerometer {first} can't be used: the figures of accelerometer {used} stand in"
    return usable[0], [Diagnostic("accelerometer_replaced", text, where)]


def _disagreeing(
    blocks: Sequence[Accelerometer], risks: Sequence[BlockRisk], where: str
) -> list[Diagnostic]:
    """That two blocks of one vehicle give figures too far apart for their u."""
    found = []
    for (a, one), (b, other) in combinations(zip(blocks, risks, strict=True), 2):
        for name in ("oiv_x", "oiv_y", "ridedown_x", "ridedown_y"):
            p, q = one.figures[name], other.figures[name]
            if p is None or q is None or p.at_end or q.at_end:
                continue
            if abs(p.value - q.value) > EVALUATION.agreement * np.hypot(p.u, q.u):
                text = (
                    f"accelerometers {a.name} and {b.name} disagree in {name}: {p.value:.2f} and "
                    f"{q.value:.2f} {p.unit}, u {p.u:.2f} and {q.u:.2f}"
                )
                found.append(Diagnostic("accelerometers_disagree", text, where))
    return found


def _velocity(vehicle: str, block: Accelerometer, cg: Array) -> list[Curve]:
    """Change of the cg's velocity along the vehicle's x, of a vehicle that no film shows."""
    motion = cg_acceleration_draws(block, cg)
    time, (ax, ax_draws) = from_zero(motion.time, motion.mean[0], motion.draws[:, 0])
    value, spread = integrate(time, ax), integrate(time, ax_draws).std(axis=0, ddof=1)
    return [Curve(vehicle, "velocity_x", "accelerometer", "m/s", time, value, spread)]


def _cross_check_result(check: CrossCheck) -> CrossCheckResult:
    velocity = None
    if (v := check.velocity) is not None:
        s = v.sprague_geers
        parts = ("rating", "corridor", "phase", "magnitude", "slope")
        velocity = VelocityComparison(
            v.rms,
            v.largest,
            SpragueGeersResult(s.magnitude, s.phase, s.comprehensive),
            {part: float(getattr(v.iso18571, part)) for part in parts},
        )
    findings = tuple(
        ChannelFinding(f.channel, f.kind, f.estimate, f.u, f.unit, f.text) for f in check.findings
    )
    channels = {name: _agreement(one) for name, one in check.channels.items()}
    return CrossCheckResult(check.verdict, velocity, findings, channels)


def _agreement(check: ChannelCheck) -> ChannelAgreement:
    unit = "m/s" if check.channel in AXES else "rad"
    a = check.agreement
    if a is None:
        return ChannelAgreement(check.verdict, check.text, unit)
    s = a.sprague_geers
    return ChannelAgreement(
        verdict=check.verdict,
        text=check.text,
        unit=unit,
        rms=a.rms,
        max=a.largest,
        displacement_rms=a.displacement_rms,
        displacement_max=a.displacement_largest,
        final=Quantity(a.final, unit, a.final_u),
        sprague_geers=SpragueGeersResult(s.magnitude, s.phase, s.comprehensive),
        residual_mean=a.residuals.mean,
        residual_sd=a.residuals.deviation,
        smallest=check.smallest,
        clock_rival=check.clock_rival,
        until=float(a.time[-1]),
        w179=a.w179,
        iso18571=a.iso18571.rating,
    )
