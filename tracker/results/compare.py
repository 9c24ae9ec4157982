"""Whether two results say the same: for results made again from the same inputs."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from tracker.results.csv import force_crush_csv, motion_csv, points_csv, tracks_csv
from tracker.results.json import results_json
from tracker.results.schema import Results

RELATIVE = 1e-9
"""Numbers that differ by less than this share are the same: one machine gives the same bytes,
another may round the last digits otherwise."""
NOT_COMPARED = frozenset(
    {("software", "version"), ("test", "photographs"), ("test", "slow_motion")}
)
"""What says nothing about the numbers."""


def differences(old: Results, new: Results) -> tuple[str, ...]:
    """What the two results say differently, a line each; empty where they agree."""
    found = list(_scalars((), results_json(old), results_json(new)))
    before, after = _tables(old), _tables(new)
    for name in dict.fromkeys((*before, *after)):
        line = _first_difference(before.get(name, ""), after.get(name, ""))
        if line is not None:
            found.append(f"{name}: {line}")
    return tuple(found)


def _tables(results: Results) -> dict[str, str]:
    """The CSV files by their names in the folder."""
    motion = {f"motion/{v}.csv": motion_csv(m) for v, m in results.motion.items()}
    points = {f"points/{v}.csv": points_csv(p) for v, p in results.points.items() if p}
    times = results.times
    tracks = {f"tracks/{c}.csv": tracks_csv(t, times.get(c)) for c, t in results.tracks.items()}
    force = results.force_crush
    crush = {} if force is None else {"mechanics/force-crush.csv": force_crush_csv(force)}
    return motion | points | tracks | crush


def _scalars(place: tuple[str, ...], old: Any, new: Any) -> Iterator[str]:
    if place in NOT_COMPARED:
        return
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        for key in dict.fromkeys((*old, *new)):
            yield from _scalars((*place, key), old.get(key), new.get(key))
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for i, (a, b) in enumerate(zip(old, new, strict=True)):
            yield from _scalars((*place, str(i)), a, b)
    elif not _is_same(old, new):
        yield f"{'.'.join(place)}: {_brief(old)} before, {_brief(new)} now"


def _is_same(old: Any, new: Any) -> bool:
    numbers = [isinstance(x, (int, float)) and not isinstance(x, bool) for x in (old, new)]
    if all(numbers):
        return math.isclose(old, new, rel_tol=RELATIVE, abs_tol=RELATIVE)
    return bool(old == new)


def _first_difference(old: str, new: str) -> str | None:
    """Where two CSV texts first differ."""
    before, after = old.splitlines(), new.splitlines()
    if len(before) != len(after):
        return f"{len(before)} lines before, {len(after)} now"
    for number, (a, b) in enumerate(zip(before, after, strict=True), 1):
        if a != b and not _is_same_row(a.split(","), b.split(",")):
            return f"line {number} differs"
    return None


def _is_same_row(old: list[str], new: list[str]) -> bool:
    if len(old) != len(new):
        return False
    return all(a == b or _is_same(_number(a), _number(b)) for a, b in zip(old, new, strict=True))


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _brief(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
