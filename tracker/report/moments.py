"""The times of a test that its photographs show: contact, half crush, occupant impact, greatest
crush, greatest pitch, rest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.core.types import STATE, Motion
from tracker.outcome.rest import last_moving_row
from tracker.results.roles import striking
from tracker.results.schema import Results

APART = 0.004  # s: moments closer than this show the same picture,
SHARE = 0.05  # or closer than this share of a short film
COLUMN = {name: i for i, name in enumerate(STATE)}


@dataclass(frozen=True)
class Moment:
    """A time worth a picture; `key` is part of a file's name."""

    key: str
    label: str
    time: float


def moments(results: Results) -> tuple[Moment, ...]:
    """The times chosen in the record; else the moments that the results know of, one of several at
    the same time. In order of time.
    """
    if results.test.photographs:
        return tuple(_chosen_moment(time) for time in sorted(set(results.test.photographs)))
    found = [Moment("contact", "contact", 0.0)]
    crush = results.crush
    if crush is not None and crush.at is not None:
        greatest = crush.at
        half = _half_crush(results, greatest)
        if half is not None:
            found.append(Moment("half-crush", "half crush", half))
        grows = crush.max_dynamic is not None and crush.max_dynamic.at_end
        label = "crush at the film's end" if grows else "greatest crush"
        found.append(Moment("greatest-crush", label, greatest))
    occupant = _occupant_impact(results)
    if occupant is not None:
        found.append(Moment("occupant-impact", "occupant impact", occupant))
    pitch = _greatest_pitch(results)
    if pitch is not None:
        found.append(Moment("greatest-pitch", "greatest pitch", pitch))
    found += _after_contact(results)
    found += _end(results)
    apart = min(APART, SHARE * _duration(results))
    distinct: list[Moment] = []
    for moment in found:
        if all(abs(moment.time - other.time) > apart for other in distinct):
            distinct.append(moment)
    return tuple(sorted(distinct, key=lambda moment: moment.time))


def _chosen_moment(time: float) -> Moment:
    side = "after" if time >= 0 else "before"
    ms = f"{abs(1e3 * time):.4g}"
    return Moment(f"{ms}-ms-{side}", f"{ms} ms {side} contact", time)


def _duration(results: Results) -> float:
    """Length of the longest motion, s."""
    return max((float(np.ptp(m.time)) for m in results.motion.values() if len(m.time)), default=0.0)


def _half_crush(results: Results, greatest: float) -> float | None:
    """When the vehicles had closed by half of the greatest crush, s."""
    pair = _pair(results)
    if pair is None:
        return None
    time, closing = pair
    inside = (time >= 0) & (time <= greatest) & np.isfinite(closing)
    if inside.sum() < 3:
        return None
    way = np.abs(closing[inside] - closing[inside][0])
    return float(time[inside][np.argmax(way >= 0.5 * way.max())])


def _pair(results: Results) -> tuple[Array, Array] | None:
    """Times and the striking less the struck vehicle's x."""
    roles = {entry.role: name for name, entry in results.vehicles.items()}
    motions = [results.motion.get(roles.get(role, "")) for role in ("striking", "struck")]
    match motions:
        case [Motion() as a, Motion() as b]:
            return a.time, a.state[:, 0] - np.interp(a.time, b.time, b.state[:, 0])
    return None


def _occupant_impact(results: Results) -> float | None:
    name = striking(results)
    if name is None:
        return None
    risk = results.vehicles[name].occupant
    for source in (risk.fused, risk.film, risk.accelerometer):
        if source is not None and source.oiv_time is not None:
            return source.oiv_time.value
    return None


def _greatest_pitch(results: Results) -> float | None:
    name = striking(results)
    if name is None:
        return None
    entry = results.vehicles[name]
    extremes = [q for q in (entry.max_pitch, entry.min_pitch) if q is not None]
    extremes = [q for q in extremes if q.time is not None and abs(q.value) > 2 * q.u]
    extremes = [q for q in extremes if not q.at_end]
    return max(extremes, key=lambda q: abs(q.value)).time if extremes else None


def _after_contact(results: Results) -> list[Moment]:
    """The article's greatest deflection and the loss of contact, as the events have them."""
    kinds = {"article_deflection": "greatest deflection", "exit": "loss of contact"}
    if results.article is None:
        return []
    return [
        Moment(event.kind.replace("_", "-"), kinds[event.kind], event.time)
        for event in results.events
        if event.kind in kinds
    ]


def _end(results: Results) -> list[Moment]:
    """When the striking vehicle came to rest, or the end of the film."""
    name = striking(results)
    motion = results.motion.get(name) if name is not None else None
    if name is None or motion is None or len(motion.time) < 2:
        return []
    if not results.vehicles[name].rest:
        return [Moment("end", "end of the film", float(motion.time[-1]))]
    row = min(last_moving_row(motion) + 1, len(motion.time) - 1)
    return [Moment("rest", "rest", float(motion.time[row]))]
