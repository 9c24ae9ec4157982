"""The sequence of events: what the program found and what a person typed, in one order."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tracker.core.types import Quantity
from tracker.outcome.rest import last_moving_row
from tracker.pipeline.options import EVALUATION
from tracker.record.load import Record
from tracker.results.after_contact import ArticleResult, EventResult
from tracker.results.schema import Results, VehicleResult

EXTREMES = {
    "max_roll": "greatest roll, right side down",
    "min_roll": "greatest roll, left side down",
    "max_pitch": "greatest pitch, nose up",
    "min_pitch": "greatest pitch, nose down",
    "max_yaw": "greatest yaw to the right",
    "min_yaw": "greatest yaw to the left",
    "max_rise": "greatest ride-up",
}


def events(record: Record, results: Results) -> tuple[EventResult, ...]:
    """Every event in order of time, each with its frame number, fractions allowed, in every film
    that shows its time.
    """
    typed = [
        EventResult(e.time, e.text, "typed", "exit" if e.sets == "exit" else "typed", e.u or None)
        for e in record.test.events
    ]
    found = [*_found_events(results), *typed]
    ordered = sorted(found, key=lambda event: event.time)
    return tuple(
        EventResult(e.time, e.text, e.source, e.kind, e.u, event_frames(results, e.time))
        for e in ordered
    )


def event_frames(results: Results, time: float) -> dict[str, float]:
    """The frame number of a time in each film that shows it."""
    frames = {}
    for camera, times in results.times.items():
        known = np.flatnonzero(np.isfinite(times))
        if len(known) < 2 or not times[known[0]] <= time <= times[known[-1]]:
            continue
        frames[camera] = round(float(np.interp(time, times[known], known)), 2)
    return frames


def _found_events(results: Results) -> Iterator[EventResult]:
    if any(e.impact_speed is not None for e in results.vehicles.values()):
        yield EventResult(0.0, "first contact", "found", "contact")
    several = len(results.vehicles) > 1
    for name, entry in results.vehicles.items():
        if entry.role == "striking" or not several:
            yield from _of_vehicle(name, entry)
        if entry.role != "striking" and several:
            yield from _rest(results, name, entry)
    if not any(e.role == "striking" for e in results.vehicles.values()) and several:
        for name, entry in results.vehicles.items():
            yield from _of_vehicle(name, entry)
    for name, entry in results.vehicles.items():
        if entry.role == "striking" or not several:
            yield from _rest(results, name, entry)
    crush = results.crush
    shown = crush is not None and crush.max_dynamic is not None and not crush.max_dynamic.at_end
    if crush is not None and crush.at is not None and shown:
        text = "greatest crush" if crush.kind == "crush" else "greatest closing"
        yield EventResult(crush.at, text, "found", "crush")
    yield from _of_article(results)


def _of_vehicle(name: str, entry: VehicleResult) -> Iterator[EventResult]:
    for field, text in EXTREMES.items():
        extreme: Quantity | None = getattr(entry, field)
        if extreme is None or extreme.time is None or extreme.at_end or extreme.time <= 0:
            continue
        if abs(extreme.value) > EVALUATION.event_sigmas * extreme.u:
            yield EventResult(extreme.time, f"{text} of {name}", "found", field)
    risk = entry.occupant
    for source in (risk.fused, risk.film, risk.accelerometer):
        if source is not None and source.oiv_time is not None:
            time = source.oiv_time
            yield EventResult(
                time.value, f"occupant impact in {name}", "found", "occupant_impact", time.u
            )
            break
    if entry.exit is not None and entry.exit.source == "found":
        text = f"{name} loses contact"
        yield EventResult(entry.exit.time, text, "found", "exit", entry.exit.time_u)
    elif entry.exit is None and entry.contact_end is not None and not entry.contact_end.at_end:
        end = entry.contact_end
        yield EventResult(end.value, f"contact of {name} ends", "found", "contact_end", end.u)


def _rest(results: Results, name: str, entry: VehicleResult) -> Iterator[EventResult]:
    """When a vehicle that moved came to rest in the film."""
    motion = results.motion.get(name)
    if not entry.rest or motion is None or not len(motion.time):
        return
    row = last_moving_row(motion)
    if row >= 0 and 0 < motion.time[row] < motion.time[-1]:
        at = float(motion.time[row + 1])
        yield EventResult(at, f"{name} at rest", "found", "rest")


def _of_article(results: Results) -> Iterator[EventResult]:
    article = results.article
    if article is None:
        return
    greatest = article.dynamic_deflection
    if greatest is not None and greatest.time is not None and not greatest.at_end:
        text = f"greatest deflection of the article, at {greatest.mark}"
        yield EventResult(greatest.time, text, "found", "article_deflection")
    yield from _break_offs(article)
    for name, mark in article.marks.items():
        if mark.lost_at is not None:
            flew = " as it flies off" if mark.detached else ""
            text = f"mark {name} of the article seen for the last time{flew}"
            yield EventResult(mark.lost_at, text, "found", "mark_lost")


def _break_offs(article: ArticleResult) -> Iterator[EventResult]:
    """What broke off at the times that the record states, one line a time."""
    parts: dict[float, list[str]] = {}
    for name, mark in article.marks.items():
        if mark.detached_at is not None:
            parts.setdefault(mark.detached_at, []).append(name)
    for time, names in parts.items():
        text = f"part of the article with {', '.join(names)} breaks off"
        yield EventResult(time, text, "typed", "detached")
