"""Whether a record and its films can be analysed, and what is missing or doubtful, in seconds."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from calibration.arrays import Array
from calibration.errors import Problem
from tracker.core.types import MarkId
from tracker.pipeline.check_geometry import check_picks, check_places, missing_costs
from tracker.pipeline.check_result import Check
from tracker.pipeline.options import CHECK
from tracker.record.check_files import is_url
from tracker.record.load import AccelerometerEntry, CameraEntry, Record, Vehicle, load_record

if TYPE_CHECKING:
    from tracker.film import Film


def check_record(path: str | Path) -> list[Check]:
    """Everything that is known of a record before its films are tracked.

    Films are opened but not read through. Raises `Problem` if the record itself is wrong; what is
    wrong with the files that it names is reported with the rest. "missing": without it the record
    can't be analysed.
    """
    record = load_record(path)
    checks = [*_vehicles(record), *check_places(record)]
    for name, camera in record.cameras.items():
        checks += _camera(record, name, camera)
    checks += _zero(record) if record.cameras else _no_camera()
    for number, sensor in enumerate(record.accelerometers, 1):
        checks += _accelerometer(record, number, sensor)
    checks += missing_costs(record)
    return [_whole(record, checks), *checks]


def _whole(record: Record, checks: list[Check]) -> Check:
    """Whether the record can be analysed, by everything else."""
    missing = sum(check.state == "missing" for check in checks)
    if missing:
        text = f"it can't be analysed as it is: {missing} of the points below have to be mended"
        return Check("doubtful", str(record.path), text)
    return Check("ok", str(record.path), "the record is complete: it can be analysed")


def _vehicles(record: Record) -> Iterator[Check]:
    if all(vehicle.role != "striking" for vehicle in record.vehicles.values()):
        text = "no vehicle has the role striking, so impact conditions and risk have no subject"
        yield Check("doubtful", "vehicles", text)
    for name, vehicle in record.vehicles.items():
        where = f"vehicles.{name}"
        seen = {
            pick.marker
            for camera in record.cameras.values()
            for pick in map(MarkId.parse, camera.picks)
            if pick.vehicle == name
        }
        surveyed = [m for m in seen if vehicle.markers[m].at is not None]
        if not seen:
            yield _check_unpicked(vehicle, where)
        elif len(surveyed) < 2:
            text = (
                f"{len(surveyed)} of its {len(seen)} picked markers have a surveyed place `at`; "
                "fewer than two give its position but not its attitude"
            )
            yield Check("doubtful", where, text)
        else:
            text = f"{len(surveyed)} surveyed markers are picked in at least one camera"
            yield Check("ok", where, text)
        for marker in sorted(seen):
            if vehicle.markers[marker].size is None and vehicle.markers[marker].pattern != "patch":
                text = "its size is not given; it is then estimated from the picture"
                yield Check("doubtful", f"{where}.markers.{marker}", text)


def _camera(record: Record, name: str, camera: CameraEntry) -> Iterator[Check]:
    where = f"cameras.{name}"
    if is_url(camera.film):
        text = f"the film at {camera.film} is not fetched for a check; the analysis fetches it"
        yield Check("doubtful", f"{where}.film", text)
        return
    try:
        from tracker.film import open_film

        film = open_film(
            record.place(camera.film),
            frame_rate=camera.frame_rate,
            bits=camera.bits,
            where=where,
        )
    except Problem as problem:
        yield Check("missing", f"{where}.film", f"{problem.what}; {problem.remedy}")
        return
    width, height = film.size
    text = f"{film.frames} frames of {width} x {height}, {film.bits} bits"
    yield Check("ok", f"{where}.film", text)
    for finding in film.findings:
        yield Check("doubtful", f"{where}.film", finding.text)
    yield from _time(camera, film, where)
    yield from _places(camera, film, where)
    yield from _geometry(camera, film.size, where)
    yield from check_picks(record, name, film.size)
    yield from _marks(record, camera, where)


def _time(camera: CameraEntry, film: Film, where: str) -> Iterator[Check]:
    from calibration.time.timebase import time_base

    zero = camera.time.zero
    try:
        base = time_base(
            film.frames,
            rate=film.rate,
            stated=camera.frame_rate is not None,
            stamps=film.stamps,
            zero=zero if isinstance(zero, float) else None,
            exposure=camera.exposure,
            where=where,
        )
    except Problem as problem:
        yield Check("missing", f"{where}.frame_rate", f"{problem.what}; {problem.remedy}")
        return
    yield Check("ok", f"{where}.time", f"time comes from {base.source}")
    for finding in base.findings:
        yield Check("doubtful", f"{where}.time", finding.text)
    if camera.exposure is None:
        text = "the exposure is not given, so blur is not foreseen and a flash is timed less well"
        yield Check("doubtful", f"{where}.exposure", text)
    light = camera.time.timing_light
    if light is not None and base.rate / light.rate < CHECK.light_frames:
        text = (
            f"a light of {light.rate:g} 1/s blinks every {base.rate / light.rate:.2g} frames; "
            f"at least {CHECK.light_frames:g} frames are needed to time them by it"
        )
        yield Check("doubtful", f"{where}.time.timing_light", text)


def _places(camera: CameraEntry, film: Film, where: str) -> Iterator[Check]:
    """Picks and regions that lie outside the picture or the film."""
    width, height = film.size
    picks = [(f"survey.{n}", t.pixel, t.frame) for n, t in camera.survey.items() if t.pixel]
    picks += [(f'picks."{n}"', p.pixel, p.frame) for n, p in camera.picks.items()]
    picks += [
        (f"scale[{i}]", pixel, bar.frame)
        for i, bar in enumerate(camera.scale, 1)
        for pixel in bar.pixels
    ]
    picks += [(f"edits[{i}]", e.pixel, e.frame) for i, e in enumerate(camera.edits, 1)]
    bad = 0
    for place, (u, v), frame in picks:
        if not (-0.5 <= u <= width - 0.5 and -0.5 <= v <= height - 0.5):
            bad += 1
            text = f"the pixel ({u:g}, {v:g}) lies outside the picture of {width} x {height}"
            yield Check("missing", f"{where}.{place}", text)
        if frame >= film.frames:
            bad += 1
            text = f"frame {frame} lies outside the film, whose last frame is {film.frames - 1}"
            yield Check("missing", f"{where}.{place}", text)
    light = camera.time.timing_light
    regions = {
        "flash_region": camera.time.flash_region,
        "timing_light.region": None if light is None else light.region,
    }
    for place, region in regions.items():
        if region and (region[0] + region[2] > width or region[1] + region[3] > height):
            text = f"the region {list(region)} reaches outside the picture of {width} x {height}"
            yield Check("doubtful", f"{where}.time.{place}", text)
    if picks and not bad:
        yield Check("ok", f"{where}.picks", f"all {len(picks)} picks lie in the picture")


def _geometry(camera: CameraEntry, size: tuple[int, int], where: str) -> Iterator[Check]:
    """Whether survey or scale bars give places."""
    targets = [t for t in camera.survey.values() if t.at is not None]
    place = f"{where}.survey"
    if not targets:
        known = sum(bar.length is not None for bar in camera.scale)
        if camera.scale and not known:
            text = "no scale bar has a length: level lines alone give no scale"
            yield Check("missing", f"{where}.scale", text)
        elif camera.scale:
            text = f"{known} scale bars give the scale, since no target is surveyed"
            yield Check("ok", f"{where}.scale", text)
            if not any(bar.depth for bar in camera.scale):
                text = "no depth is given, so marks off the plane of motion are not corrected"
                yield Check("doubtful", f"{where}.scale", text)
        else:
            text = "neither surveyed targets nor a scale bar are given, so pixels have no scale"
            yield Check("missing", place, text)
        return
    points = np.array([t.at for t in targets])
    pixels = np.array([t.pixel for t in targets if t.pixel is not None])
    extent = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    known_lens = camera.lens is not None
    if len(targets) < 4:
        text = f"{len(targets)} targets are surveyed; a pose needs at least 4"
        yield Check("missing", place, text)
        return
    if extent[1] < CHECK.flat * extent[0]:
        yield Check("missing", place, "the surveyed targets lie on one line, which fixes no pose")
        return
    flat = extent[2] < CHECK.flat * extent[0]
    shape = "in one plane" if flat else "in depth"
    text = f"{len(targets)} surveyed targets, spread {shape}"
    yield Check("ok", place, text)
    if len(targets) == 4:
        yield Check("doubtful", place, "with 4 targets no error of survey or pick can be noticed")
    if not known_lens and flat and camera.position is None:
        text = (
            "the targets lie in one plane and neither the lens nor a rough position is given, so "
            "focal length and distance may be hard to separate; add position"
        )
        yield Check("doubtful", place, text)
    if len(pixels) < len(targets):
        yield _unpicked_targets(camera, len(targets) - len(pixels), place)
        return
    share = _hull_area(pixels) / (size[0] * size[1])
    if share < CHECK.well_spread:
        text = f"the surveyed targets span {100 * share:.0f} % of the picture; spread them wider"
        yield Check("doubtful", place, text)


def _unpicked_targets(camera: CameraEntry, count: int, where: str) -> Check:
    """What can be done for fixed targets without a pick."""
    text = f"{count} fixed targets are not picked; they will be looked for by their layout"
    if camera.lens is None and camera.position is None:
        text = (
            f"{count} fixed targets are not picked; to look for them by their layout, the camera's "
            "lens or its rough position is needed, unless four others are picked"
        )
        return Check("doubtful", where, text)
    return Check("ok", where, text)


def _check_unpicked(vehicle: Vehicle, where: str) -> Check:
    """What can be done for a vehicle none of whose markers is picked."""
    able = [m for m in vehicle.markers.values() if m.at and m.size and m.pattern != "patch"]
    if len(able) >= 3:
        text = f"no camera has a pick of its markers; {len(able)} will be detected automatically"
        return Check("ok", where, text)
    text = "no camera has a pick of its markers, and fewer than three can be found without"
    if not vehicle.markers:
        text = "it has no markers"
    return Check("missing", where, f"{text}, so its motion can't be followed")


def _hull_area(points: Array) -> float:
    """Area of the convex hull of points (n, 2)."""
    import cv2

    hull = cv2.convexHull(points.astype(np.float32).reshape(-1, 1, 2))
    return float(cv2.contourArea(hull))


def _marks(record: Record, camera: CameraEntry, where: str) -> Iterator[Check]:
    """Size in the picture and blur of the picked markers."""
    scale = _pixels_per_metre(camera)
    speed = record.test.intended.speed
    for name in map(MarkId.parse, camera.picks):
        size = record.marker(name).size
        place = f'{where}.picks."{name}"'
        if size is None:
            continue
        if scale is not None and size * scale < CHECK.small_px:
            text = f"the mark is only about {size * scale:.1f} px large in the picture"
            yield Check("doubtful", place, text)
        striking = not name.is_free and record.vehicles[name.vehicle].role == "striking"
        if striking and speed and camera.exposure and speed * camera.exposure > CHECK.blur * size:
            text = (
                f"at the intended speed the mark moves {1000 * speed * camera.exposure:.0f} mm "
                f"during the exposure and is {1000 * size:.0f} mm large; shorten the exposure or "
                "paint it larger"
            )
            yield Check("doubtful", place, text)


def _pixels_per_metre(camera: CameraEntry) -> float | None:
    """A rough scale from the distances between surveyed targets, or from the scale bars."""
    targets = [(t.at, t.pixel) for t in camera.survey.values() if t.at and t.pixel]
    ratios = [
        float(np.hypot(*np.subtract(*bar.pixels))) / bar.length
        for bar in camera.scale
        if bar.length is not None
    ]
    for i, (at, pixel) in enumerate(targets):
        for other, its_pixel in targets[:i]:
            metres = float(np.linalg.norm(np.subtract(at, other)))
            if metres > 0:
                ratios.append(float(np.hypot(*np.subtract(pixel, its_pixel))) / metres)
    return float(np.median(ratios)) if ratios else None


def _zero(record: Record) -> Iterator[Check]:
    zeros = {name: camera.time.zero for name, camera in record.cameras.items()}
    own = [name for name, zero in zeros.items() if zero != "contact"]
    if own:
        text = f"time zero is given or flashed in {', '.join(own)}"
        yield Check("ok", "cameras", text)
    else:
        text = "no camera has a time zero, so first contact is looked for in the motion"
        yield Check("doubtful", "cameras", text)


def _no_camera() -> Iterator[Check]:
    text = "the record has no camera: only the accelerometers are judged"
    yield Check("doubtful", "cameras", text)


def _accelerometer(record: Record, number: int, sensor: AccelerometerEntry) -> Iterator[Check]:
    where = f"accelerometers[{number}]"
    try:
        from tracker.accelerometers import read_accelerometer

        read = read_accelerometer(sensor, record.folder)
    except Problem as problem:
        yield Check("missing", f"{where}.file", f"{problem.what}; {problem.remedy}")
        return
    rate, first, last = 1 / read.interval, float(read.time[0]), float(read.time[-1])
    text = (
        f"{len(read.time)} samples at {rate:.6g} 1/s from {first:.4g} to {last:.4g} s, channels "
        + ", ".join(read.as_read)
    )
    yield Check("ok", where, text)
    for note in (*read.notes, *read.dropped.values(), *(f.text for f in read.findings)):
        yield Check("doubtful", where, note)
    if rate < CHECK.samples * (1 - 1e-3):
        least = f"at least {CHECK.samples:g} are asked for (SAE J211-1)"
        text = f"it is sampled at {rate:.6g} 1/s; {least}"
        yield Check("doubtful", where, text)
    if not first <= 0 < last:
        text = "its record does not span time zero; check the time column and its unit"
        yield Check("doubtful", where, text)
    if not {"ax", "ay"} <= set(read.channels):
        text = "ax and ay are needed for occupant impact velocity"
        yield Check("doubtful", f"{where}.channels", text)
