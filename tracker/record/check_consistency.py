"""Whether the entries of a table make sense together.

Works on the table as TOML gave it, as `tracker.record.check_files` does.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tracker.core.units import KINDS, UnitError, brief, parse, si_factor
from tracker.record.check_files import Complaint, Key, tables
from tracker.record.schema import CHANNELS

LIGHTEST = 100.0
"""kg; a vehicle that strikes or is struck weighs more, a thing of another role may not."""
LENS_FORMS = (
    {"camera_matrix"},
    {"camera_matrix", "distortion"},
    {"chessboard", "inner_corners", "square"},
    {"chessboard", "inner_corners", "square", "marker"},
    {"chessboard", "inner_corners", "square", "marker", "dictionary"},
    {"dots", "grid", "spacing"},
    {"file"},
)


def check_consistency(raw: dict[str, Any]) -> Iterator[Complaint]:
    """Every complaint about entries that contradict or want each other."""
    for top in ("vehicles", "cameras"):
        yield from _clashes((top,), raw.get(top))
    yield from _instruments(raw)
    for key, vehicle in tables(raw, "vehicles"):
        yield from _vehicle(key, vehicle)
    for key, camera in tables(raw, "cameras"):
        yield from _clashes((*key, "survey"), camera.get("survey"))
        yield from _exposure(key, camera)
        lens = camera.get("lens")
        if isinstance(lens, dict):
            yield from _lens((*key, "lens"), lens)
        for place, bar in tables(camera, "scale"):
            yield from _scale_bar((*key, *place), bar)
        for place, span in tables(camera, "ruled_out"):
            yield from _span((*key, *place), span)
    yield from _blocks(raw)
    for key, sensor in tables(raw, "accelerometers"):
        for place, channel in tables(sensor, "channels"):
            yield from _channel((*key, *place), channel)


def _blocks(raw: dict[str, Any]) -> Iterator[Complaint]:
    """Names and files of sensor blocks, and that one of a vehicle at most is the primary one."""
    names: dict[str, Key] = {}
    primary: dict[str, Key] = {}
    for number, (key, sensor) in enumerate(tables(raw, "accelerometers"), start=1):
        name = str(sensor.get("name", number))
        if name in names:
            yield (*key, "name"), f"another accelerometer is named {brief(name)}", "rename one"
        names[name] = key
        if sensor.get("primary") is True:
            vehicle = str(sensor.get("vehicle"))
            if vehicle in primary:
                yield (
                    (*key, "primary"),
                    "another accelerometer of this vehicle is the primary one",
                    "leave primary = true with one of them",
                )
            primary[vehicle] = key
        channels = [channel for _, channel in tables(sensor, "channels")]
        if "file" not in sensor and not (channels and all("file" in c for c in channels)):
            yield (*key, "file"), "'file' is missing", "add it, or give every channel its own file"


def _si(value: object, kind: str) -> float | None:
    """The SI value, None where it can't be read (the schema says so)."""
    try:
        return parse(value, kind)
    except UnitError:
        return None


def _clashes(key: Key, table: object) -> Iterator[Complaint]:
    by_lower: dict[str, str] = {}
    for name in table if isinstance(table, dict) else ():
        other = by_lower.setdefault(name.lower(), name)
        if other != name:
            yield (
                (*key, name),
                f"{brief(name)} and {brief(other)} differ only in capitals, and so would the "
                "names of their result files",
                "rename one of them",
            )


def _instruments(raw: dict[str, Any]) -> Iterator[Complaint]:
    if raw.get("accelerometers"):
        return
    if "cameras" not in raw:
        yield ("cameras",), "'cameras' is missing", "add it"
    elif raw["cameras"] == {}:
        yield ("cameras",), "the table is empty", "add at least one entry"


def _vehicle(key: Key, vehicle: dict[str, Any]) -> Iterator[Complaint]:
    mass, role = _si(vehicle.get("mass"), "mass"), vehicle.get("role")
    if mass is not None and mass < LIGHTEST and role in ("striking", "struck"):
        yield (
            (*key, "mass"),
            f"{brief(vehicle['mass'])} is not plausible for a {role} vehicle",
            "check the number and its unit, or give it the role 'other'",
        )
    markers, points = vehicle.get("markers"), vehicle.get("points")
    yield from _clashes((*key, "markers"), markers)
    yield from _clashes((*key, "points"), points)
    if isinstance(markers, dict) and isinstance(points, dict):
        for name in markers.keys() & points.keys():
            yield (
                (*key, "points", name),
                f"{brief(name)} names a marker of this vehicle already",
                "rename the point, or leave it out: the path of a marker is written anyway",
            )


def _exposure(key: Key, camera: dict[str, Any]) -> Iterator[Complaint]:
    rate, exposure = _si(camera.get("frame_rate"), "rate"), _si(camera.get("exposure"), "time")
    if rate and exposure and exposure * rate > 1 + 1e-9:
        yield (
            (*key, "exposure"),
            f"the exposure of {exposure:g} s is longer than a frame ({1 / rate:g} s)",
            "check exposure and frame_rate",
        )


def _lens(key: Key, lens: dict[str, Any]) -> Iterator[Complaint]:
    known = set().union(*LENS_FORMS)
    given = set(lens) & known
    if given not in LENS_FORMS:
        yield (
            key,
            f"the lens is in none of its three forms (it has {', '.join(sorted(given)) or 'none'})",
            "give camera_matrix and distortion, or chessboard, inner_corners and square, or dots, "
            "grid and spacing, or file, or take the lens out",
        )


def _scale_bar(key: Key, bar: dict[str, Any]) -> Iterator[Complaint]:
    if "along" not in bar and "on" not in bar:
        yield (
            key,
            "the scale bar says neither `along` nor `on`",
            'add the ground axis it lies along, as along = "x", or the vehicle it lies on',
        )
    elif "length" not in bar and "along" not in bar:
        yield (
            key,
            "the scale bar has no length",
            'add it, as length = "2 m"; or, of a line that is only level or plumb, along = "x" or '
            '"z"',
        )
    pixels = bar.get("pixels")
    if isinstance(pixels, list) and len(pixels) == 2 and pixels[0] == pixels[1]:
        yield (*key, "pixels"), "both ends of the scale bar are the same pixel", "pick both ends"


def _span(key: Key, span: dict[str, Any]) -> Iterator[Complaint]:
    first, last = span.get("first", 0), span.get("last")
    if isinstance(first, int) and isinstance(last, int) and last < first:
        yield (
            (*key, "last"),
            f"the span ends at frame {brief(last)}, before it begins at {brief(first)}",
            "exchange first and last",
        )


def _channel(key: Key, channel: dict[str, Any]) -> Iterator[Complaint]:
    kind, unit = CHANNELS.get(str(key[-1])), channel.get("unit")
    if kind is None or not isinstance(unit, str):
        return
    for other in {"acceleration", "angular_rate"} - {kind}:
        try:
            si_factor(unit, other)
        except UnitError:
            return
        yield (
            (*key, "unit"),
            f"{brief(unit)} is a unit of {KINDS[other].name}, and {key[-1]} is {KINDS[kind].name}",
            f"write a unit such as '{'g_0' if kind == 'acceleration' else 'deg/s'}'",
        )
