"""Time zero from all evidence: what the cameras' clocks say of contact, what the motion shows, what
accelerometers show. Each is a source with an uncertainty of its own.

Each may be wrong, and a lamp of unknown lag late: the posterior is a mixture over which of them
are, and its mean and standard deviation are taken (Box & Tiao 1968, "A Bayesian approach to some
outlier problems": a contaminated normal distribution). A vague source that contradicts nothing
judges no other: then all are averaged by their variances.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np

from calibration.findings import Diagnostic
from tracker.motion.evidence import CameraEvidence, VehicleGeometry
from tracker.motion.initial.contact import direction_of, striking_body
from tracker.motion.initial.onset import onset, pose_evidence
from tracker.motion.initial.options import ONSET, ZERO
from tracker.motion.robust.innovation import normalised_innovation
from tracker.motion.solver.dense_step import DenseStep
from tracker.motion.solver.iterate import Iterate

_LEAST_U = 1e-7
"""s; a source is no surer than that."""


@dataclass(frozen=True)
class ZeroSource:
    """When one piece of evidence says contact was, s on the solution's clock, and its u.

    `wrong_probability` is the probability beforehand that it is wrong by far. `late` is by how much
    a lamp may have come on after contact (s), where nobody stated it. `weight` is its share of the
    posterior time zero, `sound` the probability afterwards that it is neither wrong nor late.
    `is_clock`: the cameras' own time zeros say so, not a blow.
    """

    name: str
    value: float
    u: float
    wrong_probability: float
    late: float = 0.0
    is_clock: bool = False
    weight: float = 1.0
    sound: float = 1.0


@dataclass(frozen=True)
class TimeZero:
    """The posterior time of contact, s on the solution's clock, its u, and what it rests on."""

    value: float
    u: float
    sources: tuple[ZeroSource, ...] = ()
    apart: tuple[tuple[str, str], ...] = ()  # names of sources that disagree

    def since(self, moment: float) -> TimeZero:
        """The same on a clock whose zero is at this moment of the old one."""
        sources = tuple(replace(s, value=s.value - moment) for s in self.sources)
        return replace(self, value=self.value - moment, sources=sources)

    def is_reached(self, moment: float, u: float) -> bool:
        """Whether what was solved with contact at `moment`, known to `u`, both s, serves: time zero
        is as good as there, and not much surer.
        """
        return abs(self.value - moment) < ZERO.moved * self.u and self.u > ZERO.sharper * u


def combine_sources(
    sources: Sequence[ZeroSource], known_apart: Sequence[tuple[str, str]] = ()
) -> TimeZero:
    """The posterior time zero of some sources, one at the least. `known_apart` are names of those
    that contradict each other by other evidence than their values here: one of them is wrong.
    """
    names = [s.name for s in sources]
    apart = tuple(dict.fromkeys((*known_apart, *_far_apart(sources))))
    contradicted = {name for pair in known_apart for name in pair}
    judging = len(sources) > 1 and (bool(apart) or max(s.u for s in sources) <= ZERO.judging_u)
    states = [_states(s, contradicted=s.name in contradicted, judged=judging) for s in sources]
    log_weights, means, variances, shares, sound = [], [], [], [], []
    for each in product(*states):
        right = {name for name, state in zip(names, each, strict=True) if not state.is_wrong}
        if any(right.issuperset(pair) for pair in known_apart):
            continue
        value = np.array([state.value for state in each])
        precision = np.array([state.u for state in each]) ** -2.0
        mean, total = float(precision @ value / precision.sum()), float(precision.sum())
        misfit = float(precision @ (value - mean) ** 2)
        chance = float(np.log([state.chance for state in each]).sum())
        log_weights.append(chance + 0.5 * (np.log(precision).sum() - np.log(total) - misfit))
        means.append(mean)
        variances.append(1 / total)
        shares.append(precision / total)
        sound.append([not (state.is_wrong or state.is_late) for state in each])
    weight = np.exp(np.array(log_weights) - max(log_weights))
    weight /= weight.sum()
    mean = float(weight @ means)
    variance = float(weight @ (np.array(variances) + (np.array(means) - mean) ** 2))
    judged = tuple(
        replace(s, weight=float(w), sound=float(p))
        for s, w, p in zip(
            sources, weight @ np.array(shares), weight @ np.array(sound), strict=True
        )
    )
    return TimeZero(mean, float(np.sqrt(variance)), judged, apart or _late(judged))


@dataclass(frozen=True)
class _State:
    """When a source says contact was if it is as sound, as late or as wrong as this."""

    value: float
    u: float
    chance: float
    is_late: bool = False
    is_wrong: bool = False


def _states(source: ZeroSource, *, contradicted: bool, judged: bool) -> list[_State]:
    """What a source may be: sound, late by anything up to the most that is ordinary (a rectangle,
    by its mean and sd), or wrong by far, where another can judge it.
    """
    u = max(source.u, _LEAST_U)
    wrong = ZERO.contradicted_wrong if contradicted else source.wrong_probability if judged else 0.0
    late = (1 - wrong) * ZERO.late_probability if source.late > 0 else 0.0
    late_u = float(np.hypot(u, source.late / np.sqrt(12)))
    out = [
        _State(source.value, u, 1 - wrong - late),
        _State(source.value - source.late / 2, late_u, late, is_late=True),
        _State(source.value, float(np.hypot(u, ZERO.wrong_u)), wrong, is_wrong=True),
    ]
    return [state for state in out if state.chance > 0]


def _far_apart(sources: Sequence[ZeroSource]) -> list[tuple[str, str]]:
    """Names of those that are too far from each other for their u."""
    return [
        (a.name, b.name)
        for a, b in combinations(sources, 2)
        if abs(a.value - b.value) > ZERO.apart_sds * np.hypot(a.u, b.u)
    ]


def _late(sources: Sequence[ZeroSource]) -> tuple[tuple[str, str], ...]:
    """The lamp that is late in all likelihood, and the surest source that says so."""
    late = [s for s in sources if s.late > 0 and s.sound < 1 - ZERO.named_late]
    others = sorted((s for s in sources if s.late == 0), key=lambda s: s.u)
    return tuple((s.name, others[0].name) for s in late if others)


def motion_source(
    iterate: Iterate, vehicles: Mapping[str, VehicleGeometry], near: float
) -> ZeroSource | None:
    """Contact as the striking vehicle's motion shows it, about a time `near` (s); None where no
    film shows it before and after.
    """
    k = striking_body(iterate, vehicles)
    if k is None:
        return None
    evidence = pose_evidence(iterate, k)
    frames = np.unique(evidence.time)
    after = (frames > near) & (frames < near + ONSET.after)
    if min(np.sum(frames < near - ZERO.reach), np.sum(after)) < ZERO.least_frames:
        return None
    way, speed = direction_of(iterate, k)
    if speed < ONSET.least_speed:
        return None
    found = onset(evidence, way, speed, near, ZERO.reach)
    u = float(np.hypot(found.u, ZERO.soft_crush / speed))
    if u > ZERO.vague_u:
        return None
    name = f"motion of {iterate.setup.bodies[k].name}"
    return ZeroSource(name, found.value, u, ZERO.motion_wrong)


def clock_sources(
    iterate: Iterate, cameras: Mapping[str, CameraEvidence], contact: float, *, apart: bool
) -> tuple[ZeroSource, ...]:
    """When the cameras' own time zeros say contact was: together, or each by itself where they
    are `apart`. None where no camera has a time zero with an uncertainty.

    Parameters
    ----------
    cameras : as given, by name; those whose `zero_u` is infinite have no time zero.
    contact : s on the solution's clock, where the time zeros lie beforehand.
    """
    values, u, common, late, names = [], [], [], [], []
    for cam, part in zip(iterate.setup.cameras, iterate.setup.camera_slices, strict=True):
        given = cameras[cam.name]
        if np.isfinite(given.zero_u):
            values.append(contact + float(iterate.values[part.stop - 2]) - cam.zero)
            u.append(given.zero_u)
            common.append(given.zero_common_u)
            late.append(given.zero_late)
            names.append(cam.name)
    if not names or not (max(u) > 0 or max(common) > 0):
        return ()
    wrong = ZERO.clock_wrong
    if apart:
        return tuple(
            ZeroSource(f"time zero of {name}", v, float(np.hypot(own, shared)), wrong, most, True)
            for name, v, own, shared, most in zip(names, values, u, common, late, strict=True)
        )
    precision = 1 / np.maximum(u, _LEAST_U) ** 2
    own = 0.0 if min(u) == 0 else float(precision.sum() ** -0.5)
    value = float(precision @ values / precision.sum())
    name = f"time zero of {' and '.join(names)}"
    return (ZeroSource(name, value, float(np.hypot(own, min(common))), wrong, min(late), True),)


def clocks_apart(
    iterate: Iterate,
    step: DenseStep,
    known: Sequence[str],
    vehicles: Mapping[str, VehicleGeometry],
) -> float:
    """By how much the time zeros of cameras (`known` by name) contradict the motion that they
    share: their normalised innovation squared over its greatest likely value; above 1 they do.

    The cameras may see marks of the vehicle that do not lie to each other as surveyed: by
    `body_u` over its speed a clock may seem off for that.
    """
    setup = iterate.setup
    here, zero_u = [], []
    for cam, part in zip(setup.cameras, setup.camera_slices, strict=True):
        if cam.name in known and cam.zero_u > 0:
            here.append(part.stop - 2)
            zero_u.append(cam.zero_u)
    if len(here) < 2:
        return 0.0
    root = step.covariance_root[here]
    sure = np.eye(len(here)) - root @ root.T
    k = striking_body(iterate, vehicles)
    speed = 0.0 if k is None else direction_of(iterate, k)[1]
    seeming = ZERO.body_u / max(speed, ONSET.least_speed)
    pulled = seeming * sure / np.array(zero_u)
    moved, covariance = iterate.standardized_values[here], sure + pulled @ pulled.T
    square, dof = normalised_innovation(moved, covariance, ZERO.least_information)
    return square / (ZERO.apart_sds**2 + max(dof - 1, 0))


def apart_warning(zero: TimeZero) -> Diagnostic | None:
    """What to say where sources of time zero disagree."""
    if not zero.apart:
        return None
    by_name = {s.name: s for s in zero.sources}
    pairs = "; ".join(
        f"{a} and {b} by {1e3 * abs(by_name[a].value - by_name[b].value):.2g} ms"
        for a, b in zero.apart
    )
    likely = min(zero.sources, key=lambda s: s.sound)
    text = (
        f"time zero is not the same by all evidence: {pairs} apart; most likely wrong: "
        f"{likely.name} ({100 * (1 - likely.sound):.0f} %); its u is widened to "
        f"{1e3 * zero.u:.2g} ms"
    )
    return Diagnostic("time_zero_disagrees", text)
