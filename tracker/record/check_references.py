"""The names that a record uses must be names that it gives.

Works on the table as TOML gave it, as `tracker.record.check_files` does.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Any

from tracker.core.types import ARTICLE, SURVEY, MarkId
from tracker.core.units import brief
from tracker.record.check_files import Complaint, Key, tables
from tracker.record.types import nearest


def check_references(raw: dict[str, Any]) -> Iterator[Complaint]:
    """Every complaint about a vehicle, marker or fixed target that the record doesn't define."""
    vehicles = {str(key[-1]): table for key, table in tables(raw, "vehicles")}
    markers = {
        MarkId(vehicle, marker)
        for vehicle, table in vehicles.items()
        for marker, _ in _markers(table)
        if vehicle and marker and "." not in vehicle  # the schema refuses such names
    }
    article = raw.get("article")
    if isinstance(article, dict):
        markers |= {MarkId(ARTICLE, marker) for marker, _ in _markers(article) if marker}
        if ARTICLE in vehicles:
            yield (
                ("vehicles", ARTICLE),
                "a vehicle can't have the name of the test article",
                "rename the vehicle",
            )
    yield from _roles(vehicles)
    yield from _of_events(raw, vehicles)
    for key, vehicle in tables(raw, "vehicles"):
        yield from _wheels(key, vehicle)
        rest = vehicle.get("rest")
        if isinstance(rest, dict):
            cameras = [str(place[-1]) for place, _ in tables(raw, "cameras")]
            yield from _check_known((*key, "rest", "camera"), rest.get("camera"), cameras, "camera")
            own = [name for name, _ in _markers(vehicle)]
            picked = rest.get("picks")
            for mark in picked if isinstance(picked, dict) else ():
                yield from _check_known((*key, "rest", "picks", mark), mark, own, "marker")
        others = [name for name in vehicles if name != key[-1]]
        for entry, word in (("joint", "to"), ("wheel", "of")):
            table = vehicle.get(entry)
            if isinstance(table, dict):
                yield from _check_known(
                    (*key, entry, word), table.get(word), others, "other vehicle"
                )
    for key, camera in tables(raw, "cameras"):
        for bar, table in tables(camera, "scale"):
            yield from _check_known((*key, *bar, "on"), table.get("on"), vehicles, "vehicle")
        picks = camera.get("picks")
        for mark in picks if isinstance(picks, dict) else ():
            yield from _check_known((*key, "picks", mark), mark, markers, "marker")
        survey = camera.get("survey")
        names = [n for n in survey if n] if isinstance(survey, dict) else []
        fixed = {MarkId(SURVEY, name) for name in names}  # the schema refuses the empty name
        for entry in ("edits", "ruled_out"):
            for place, table in tables(camera, entry):
                yield from _check_known(
                    (*key, *place, "mark"), table.get("mark"), markers | fixed, "mark"
                )
    for key, sensor in tables(raw, "accelerometers"):
        yield from _check_known((*key, "vehicle"), sensor.get("vehicle"), vehicles, "vehicle")


def _markers(vehicle: dict[str, Any]) -> list[tuple[str, Any]]:
    markers = vehicle.get("markers")
    return list(markers.items()) if isinstance(markers, dict) else []


def _of_events(raw: dict[str, Any], vehicles: Collection[str]) -> Iterator[Complaint]:
    """Events name vehicles that there are."""
    test = raw.get("test")
    for place, event in tables(test if isinstance(test, dict) else {}, "events"):
        yield from _check_known(
            ("test", *place, "vehicle"), event.get("vehicle"), vehicles, "vehicle"
        )


def _wheels(key: Key, vehicle: dict[str, Any]) -> Iterator[Complaint]:
    """Wheels are points of their vehicle."""
    points, wheels = vehicle.get("points"), vehicle.get("wheels")
    known = list(points) if isinstance(points, dict) else []
    for k, wheel in enumerate(wheels if isinstance(wheels, list) else []):
        yield from _check_known((*key, "wheels", k), wheel, known, "point")


def _roles(vehicles: dict[str, dict[str, Any]]) -> Iterator[Complaint]:
    for role in ("striking", "struck"):
        having = [name for name, table in vehicles.items() if table.get("role") == role]
        if len(having) > 1:
            yield (
                ("vehicles", having[1], "role"),
                f"'{having[0]}' is the {role} vehicle already",
                "give one of them another role: striking, struck or other",
            )


def _check_known(key: Key, name: object, known: Collection[str], what: str) -> Iterator[Complaint]:
    if not isinstance(name, str) or name in known:
        return
    close = nearest(name, known)
    some = ", ".join(sorted(known)[:8]) + (", ..." if len(known) > 8 else "")
    if close:
        remedy = f"write '{close}'"
    else:
        remedy = f"write one of: {some}" if known else f"define the {what} first"
    yield key, f"there is no {what} {brief(name)}", remedy
