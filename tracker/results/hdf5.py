"""Motion, tracks, points and curves as HDF5: every dataset says its unit, its uncertainty
and where it comes from.

Written without times of day, so that the same results give the same bytes. Values are stored as
they are, so that what is read back is what was written.
"""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.errors import RECORD, ResultsError
from tracker.core.types import STATE, MarkId, Motion, Status, Tracks
from tracker.results.after_contact import ArticlePath
from tracker.results.balances import ForceCrush
from tracker.results.csv import POINT_STATE
from tracker.results.schema import Curve, PointPath, Results, View
from tracker.storage.hdf5 import FAULTS, check_own, numbers, open_hdf5, reason
from tracker.storage.plain_files import write_bytes

_NAME = re.compile(r"[\w-]{1,64}")
UNITS = {"m": "m", "rad": "rad", "mps": "m/s", "radps": "rad/s", "mps2": "m/s2"}
GROUND = "ground axes: x along the intended path, y to the right, z down (SAE J1733)"
BODY = "least-squares trajectory of a rigid body from all cameras that see it"
FORCE = "striking vehicle's mass times its deceleration from film, less its tyres' share"
FREE = "path of a mark that moves by itself, from all cameras that see it"
TRACK = "fit of the painted target in the picture; nothing corrected"


def write_h5(results: Results, path: Path) -> None:
    """The arrays of the results in one file.

    Made in memory and then written: on a full disk the library can't close what it has begun.
    """
    software = results.software
    image = io.BytesIO()
    with h5py.File(image, "w", track_order=True) as file:
        file.attrs["schema"] = 1
        file.attrs["test"] = results.test.number
        file.attrs["software"] = f"{software.name} {software.version}"
        for vehicle, motion in results.motion.items():
            _write_motion(_group(file, "motion", vehicle), motion)
        for vehicle, paths in results.points.items():
            for name, point in paths.items():
                _write_point(_group(file, "points", vehicle, name), point)
        for camera, tracks in results.tracks.items():
            _write_tracks(_group(file, "tracks", camera), tracks)
        for camera, time in results.times.items():
            _put(
                _group(file, "times", camera),
                "time_s",
                time,
                "s",
                "middle of the exposure of each frame",
            )
        if results.force_crush is not None:
            _write_force_crush(_group(file, "mechanics"), results.force_crush)
        for name, article in results.article_paths.items():
            _write_article(_group(file, "article", name), article)
        for i, curve in enumerate(results.curves):
            _write_curve(_group(file, "curves", f"{i:03d}"), curve)
        for camera, view in results.views.items():
            _write_view(_group(file, "views", camera), view)
    write_bytes(path, image.getbuffer())


def read_h5(path: Path) -> dict[str, Any]:
    """The fields of `Results` that `write_h5` wrote. Raises `Problem` if it can't be read."""
    try:
        with open_hdf5(path) as file:
            check_own(file)
            return {
                "motion": {k: _read_motion(g) for k, g in _groups(file, "motion")},
                "points": {
                    k: {name: _read_point(p) for name, p in g.items()}
                    for k, g in _groups(file, "points")
                },
                "tracks": {k: _read_tracks(k, g) for k, g in _groups(file, "tracks")},
                "times": {k: numbers(g, "time_s") for k, g in _groups(file, "times")},
                "force_crush": _read_force_crush(file["mechanics"])
                if "mechanics" in file
                else None,
                "article_paths": {k: _read_article(g) for k, g in _groups(file, "article")},
                "curves": tuple(_read_curve(g) for _, g in _groups(file, "curves")),
                "views": {k: _read_view(g) for k, g in _groups(file, "views")},
            }
    except FAULTS as error:
        raise ResultsError(
            f"the file can't be read as results ({reason(error)})",
            where=str(path),
            remedy="analyse the test again",
            status=RECORD,
        ) from None


def _group(file: Any, *names: str) -> Any:
    """The group of these names, one in the other; each keeps the order of its members."""
    for name in names:
        file = file[name] if name in file else file.create_group(name, track_order=True)
    return file


def _put(
    group: Any, name: str, data: Any, unit: str, provenance: str, uncertainty: str = ""
) -> None:
    values = np.asarray(data)
    compress = {"compression": "gzip", "shuffle": True} if values.size > 256 else {}
    dataset = group.create_dataset(name, data=values, track_times=False, **compress)
    dataset.attrs["unit"] = unit
    dataset.attrs["provenance"] = provenance
    dataset.attrs["uncertainty"] = uncertainty


def _write_motion(group: Any, motion: Motion) -> None:
    group.attrs["axes"] = GROUND
    _put(group, "time_s", motion.time, "s", "frame times of the fastest camera")
    for i, name in enumerate(STATE):
        unit = UNITS[name.rsplit("_", 1)[1]]
        seen = motion.observed_mask[:, i]
        _put(group, name, np.where(seen, motion.state[:, i], np.nan), unit, BODY, f"u_{name}")
        _put(group, f"u_{name}", np.where(seen, motion.u[:, i], np.nan), unit, BODY)


def _read_motion(group: Any) -> Motion:
    state = np.column_stack([numbers(group, name) for name in STATE])
    u = np.column_stack([numbers(group, f"u_{name}") for name in STATE])
    time = _reshape(numbers(group, "time_s"), (len(state),))
    return Motion(time, state, u, np.isfinite(state))


def _write_point(group: Any, point: PointPath) -> None:
    group.attrs["axes"] = GROUND
    _put(group, "time_s", point.time, "s", "frame times of the fastest camera")
    state = np.column_stack([point.position, point.velocity])
    u = np.column_stack([point.position_u, point.velocity_u])
    for i, name in enumerate(POINT_STATE):
        unit = UNITS[name.rsplit("_", 1)[1]]
        _put(group, name, state[:, i], unit, BODY, f"u_{name}")
        _put(group, f"u_{name}", u[:, i], unit, BODY)


def _read_point(group: Any) -> PointPath:
    state = np.column_stack([numbers(group, name) for name in POINT_STATE])
    u = np.column_stack([numbers(group, f"u_{name}") for name in POINT_STATE])
    time = _reshape(numbers(group, "time_s"), (len(state),))
    return PointPath(time, state[:, :3], state[:, 3:], u[:, :3], u[:, 3:])


def _write_article(group: Any, path: ArticlePath) -> None:
    group.attrs["axes"] = GROUND
    _put(group, "time_s", path.time, "s", "frame times of the fastest camera")
    _put(group, "position", path.position, "m", FREE, "u")
    _put(group, "u", path.u, "m", FREE)
    _put(group, "start", path.start, "m", FREE)


def _read_article(group: Any) -> ArticlePath:
    position = numbers(group, "position")
    shape = (len(position), 3)
    return ArticlePath(
        _reshape(numbers(group, "time_s"), (len(position),)),
        _reshape(position, shape),
        _reshape(numbers(group, "u"), shape),
        _reshape(numbers(group, "start"), (3,)),
    )


def _write_tracks(group: Any, tracks: Tracks) -> None:
    group.attrs["marks"] = np.array(tracks.marks, dtype=h5py.string_dtype())
    group.attrs["status"] = "0 hidden, 1 measured, 2 lost, 3 edited"
    _put(group, "position", tracks.position, "px", TRACK, "covariance")
    _put(group, "covariance", tracks.covariance, "px2", "residual noise of the fit")
    _put(group, "status", tracks.status, "", TRACK)


def _read_tracks(camera: str, group: Any) -> Tracks:
    marks = tuple(MarkId.parse(mark) for mark in group.attrs["marks"])
    status = numbers(group, "status").astype(np.int8)
    if status.size and not 0 <= status.min() <= status.max() <= max(Status):
        raise ValueError("a status that is none")
    shape = (len(status), len(marks))
    return Tracks(
        camera,
        marks,
        _reshape(numbers(group, "position"), (*shape, 2)),
        _reshape(numbers(group, "covariance"), (*shape, 2, 2)),
        _reshape(status, shape),
    )


def _write_force_crush(group: Any, curve: ForceCrush) -> None:
    group.attrs["axes"] = "along ground x; closing of the two cgs since time zero"
    _put(group, "closing_m", curve.closing, "m", FORCE)
    _put(group, "force_N", curve.force, "N", FORCE, "u_force_N")
    _put(group, "u_force_N", curve.force_u, "N", FORCE)
    _put(group, "energy_J", curve.energy, "J", FORCE, "u_energy_J")
    _put(group, "u_energy_J", curve.energy_u, "J", FORCE)
    _put(group, "draws_N", curve.draws, "N", FORCE)


def _read_force_crush(group: Any) -> ForceCrush:
    names = ("closing_m", "force_N", "u_force_N", "energy_J", "u_energy_J", "draws_N")
    return ForceCrush(*(numbers(group, name) for name in names))


def _write_curve(group: Any, curve: Curve) -> None:
    group.attrs["of"], group.attrs["quantity"] = curve.of, curve.quantity
    group.attrs["source"] = curve.source
    known = curve.u is not None
    _put(group, "time_s", curve.time, "s", curve.source)
    _put(group, "value", curve.value, curve.unit, curve.source, "u" if known else "")
    if known:
        _put(group, "u", curve.u, curve.unit, curve.source)


def _read_curve(group: Any) -> Curve:
    time = numbers(group, "time_s")
    return Curve(
        str(group.attrs["of"]),
        str(group.attrs["quantity"]),
        str(group.attrs["source"]),
        str(group["value"].attrs["unit"]),
        _reshape(time, (time.size,)),
        _reshape(numbers(group, "value"), (time.size,)),
        _reshape(numbers(group, "u"), (time.size,)) if "u" in group else None,
    )


def _write_view(group: Any, view: View) -> None:
    group.attrs["film"] = view.film
    for name in ("frame_rate", "bits", "centre"):
        if getattr(view, name) is not None:
            group.attrs[name] = getattr(view, name)
    if view.steadiness is not None:
        _put(group, "steadiness", view.steadiness, "px, px, rad, 1", "fixed targets")
    if view.lens_fit is not None:
        _put(group, "lens_fit", view.lens_fit, "px", "calibration board")
    if view.camera is not None:
        camera, lens = view.camera, view.camera.lens
        group.attrs["size"] = lens.size
        _put(group, "matrix", lens.matrix, "px", "calibration")
        _put(group, "distortion", lens.distortion, "1", "calibration")
        _put(group, "lens_covariance", lens.covariance, "", "calibration")
        _put(group, "rotation", camera.rotation, "1", "calibration")
        _put(group, "position", camera.position, "m", "calibration", "covariance")
        _put(group, "covariance", camera.covariance, "", "calibration")


def _read_view(group: Any) -> View:
    found = group.attrs
    centre: Array | None = found.get("centre")
    return View(
        str(found["film"]),
        _read_camera(group) if "rotation" in group else None,
        float(found["frame_rate"]) if "frame_rate" in found else None,
        int(found["bits"]) if "bits" in found else None,
        numbers(group, "steadiness") if "steadiness" in group else None,
        None if centre is None else (float(centre[0]), float(centre[1])),
        numbers(group, "lens_fit") if "lens_fit" in group else None,
    )


def _read_camera(group: Any) -> Camera:
    width, height = group.attrs["size"]
    lens = Lens(
        _reshape(numbers(group, "matrix"), (3, 3)),
        _reshape(numbers(group, "distortion"), (5,)),
        (int(width), int(height)),
        _reshape(numbers(group, "lens_covariance"), (9, 9)),
    )
    return Camera(
        lens,
        _reshape(numbers(group, "rotation"), (3, 3)),
        _reshape(numbers(group, "position"), (3,)),
        _reshape(numbers(group, "covariance"), (15, 15)),
    )


def _reshape(found: NDArray[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """The array, if it has this shape."""
    if found.shape != shape:
        raise ValueError(f"an array of {found.shape} stands where {shape} is needed")
    return found


def _groups(file: Any, name: str) -> list[tuple[str, Any]]:
    """Groups of vehicles, cameras, curves: what is called so is the name of files in a report."""
    found = list(file[name].items()) if name in file else []
    for inner, _ in found:
        if not _NAME.fullmatch(inner):
            raise ValueError(f"{name} holds a name that can't name a file")
    return found
