"""Where the planned cameras stand and look, and which marks they will see."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.errors import RECORD, RecordError
from calibration.resection.pose import sightings
from calibration.resection.resect import resect
from tracker.camera.lens_source import read_lens
from tracker.camera.options import CAMERA
from tracker.core.types import SURVEY, MarkId
from tracker.planning.options import PLAN
from tracker.record.camera import PlannedCamera
from tracker.record.schema import PlannedRecord, Vehicle


@dataclass(frozen=True)
class Target:
    """A painted mark where it is surveyed: fixed ones in ground axes, markers from the cg, m."""

    name: MarkId
    at: Array  # (3,)
    pattern: str
    size: float  # m
    normal: Array  # (3,) in the same axes


@dataclass(frozen=True)
class Stand:
    """A planned camera: exact, without covariance, and what it may see."""

    name: str
    camera: Camera
    frame_rate: float  # 1/s
    exposure: float  # s; 0 where the record doesn't say
    fixed: tuple[Target, ...]
    markers: tuple[Target, ...]
    aim_text: str  # how the line of sight was found

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the picture, px."""
        return self.camera.lens.size


def stands(record: PlannedRecord) -> dict[str, Stand]:
    """All planned cameras. Raises Problem where one lacks what a plan needs."""
    return {name: _stand(record, name, entry) for name, entry in record.cameras.items()}


def _stand(record: PlannedRecord, name: str, entry: PlannedCamera) -> Stand:
    where = f"{record.path}, cameras.{name}"
    missing = [k for k in ("position", "lens", "frame_rate") if getattr(entry, k) is None]
    if missing or entry.position is None or entry.lens is None or entry.frame_rate is None:
        raise RecordError(
            f"the plan needs {' and '.join(missing)} of this camera",
            where=where,
            remedy="add it; of a lens, the focal length from its data sheet in px will do",
            status=RECORD,
        )
    lens = read_lens(entry.lens, record.folder, entry.size, name).lens
    assert lens is not None
    fixed = tuple(
        Target(
            MarkId(SURVEY, n), np.array(t.at), t.pattern, _size(t.size, f"{where}.survey.{n}"), _UP
        )
        for n, t in entry.survey.items()
        if t.at is not None
    )
    camera, aim_text = _looking(np.array(entry.position), entry, lens, fixed, where)
    fixed = tuple(Target(t.name, t.at, t.pattern, t.size, _towards(camera, t.at)) for t in fixed)
    if not any(m.at for v in record.vehicles.values() for m in v.markers.values()):
        raise RecordError(
            "no vehicle has a marker with a place",
            where=f"{record.path}, vehicles",
            remedy="plan markers with `at` and `size`, three or more on each vehicle",
            status=RECORD,
        )
    markers = tuple(
        target
        for vehicle, table in record.vehicles.items()
        for target in _markers(vehicle, table, entry.picks, f"{record.path}, vehicles.{vehicle}")
    )
    return Stand(name, camera, entry.frame_rate, entry.exposure or 0.0, fixed, markers, aim_text)


_UP = np.array([0.0, 0.0, -1.0])


def _size(size: float | None, where: str) -> float:
    if size is None:
        raise RecordError(
            "the plan needs the size of this mark",
            where=where,
            remedy='add it, as size = "0.20 m"',
            status=RECORD,
        )
    return size


def _markers(vehicle: str, table: Vehicle, picks: Iterable[str], where: str) -> Iterable[Target]:
    """The markers with a surveyed place; of those, where the record picks any, the picked."""
    picked = set(picks)
    placed = {n: np.array(m.at) for n, m in table.markers.items() if m.at is not None}
    normals = outward_normals(placed)
    for name, at in placed.items():
        mark = MarkId(vehicle, name)
        if picked and mark not in picked:
            continue
        marker = table.markers[name]
        size = _size(marker.size, f"{where}.markers.{name}")
        yield Target(mark, at - np.array(table.cg), marker.pattern, size, normals[name])


def outward_normals(places: Mapping[str, Array]) -> dict[str, Array]:
    """Which way markers at these places (vehicle axes) face: up, or to the side they are near."""
    if not places:
        return {}
    at = np.array(list(places.values()))
    out = np.abs(at[:, 1]) >= PLAN.outer * np.abs(at[:, 1]).max()
    same_side = len(set(np.sign(at[:, 1]))) == 1
    low = at[:, 2] > at[:, 2].min() + PLAN.below_top
    side = out & (low | (out.all() & same_side)) & (at[:, 1] != 0)
    return {
        name: np.array([0.0, np.sign(at[i, 1]), 0.0]) if side[i] else _UP
        for i, name in enumerate(places)
    }


def _looking(
    position: Array, entry: PlannedCamera, lens: Lens, fixed: tuple[Target, ...], where: str
) -> tuple[Camera, str]:
    """The camera, and in words how its line of sight was found."""
    if entry.aim is not None:
        return looking_at(position, np.array(entry.aim), lens, where), "at its aim"
    picked = {n: t for n, t in entry.survey.items() if t.at is not None and t.pixel is not None}
    if len(picked) >= 4:
        found = resect(
            sightings(
                tuple(picked),
                np.array([t.at for t in picked.values()]),
                np.array([t.pixel for t in picked.values()], dtype=np.float64),
                np.broadcast_to(np.eye(2) * CAMERA.pick_u**2, (len(picked), 2, 2)),
            ),
            size=lens.size,
            lens=lens,
            rough_position=position,
            where=f"{where}.survey",
        )
        return Camera(lens, found.camera.rotation, found.camera.position), "as its picks say"
    if not fixed:
        raise RecordError(
            "nothing says where this camera will look, or how its place will be known",
            where=where,
            remedy="plan four or more fixed targets in its picture, with `at` and `size`",
            status=RECORD,
        )
    middle = np.mean([t.at for t in fixed], axis=0)
    return looking_at(position, middle, lens, where), "at the middle of its fixed targets"


def looking_at(position: Array, aim: Array, lens: Lens, where: str) -> Camera:
    """The camera at `position` that looks at `aim`, upright."""
    sight = aim - position
    distance = float(np.linalg.norm(sight))
    if distance < PLAN.least_distance:
        raise RecordError(
            "the camera stands where it looks",
            where=where,
            remedy="check position and aim",
            status=RECORD,
        )
    sight = sight / distance
    top = np.array([0.0, -1.0, 0.0]) if abs(sight[2]) > PLAN.steep else _UP
    down = -top + sight * (sight @ top)
    down = down / np.linalg.norm(down)
    return Camera(lens, np.array([np.cross(down, sight), down, sight]), position)


def _towards(camera: Camera, at: Array) -> Array:
    """Fixed targets are put up so that they face their camera along the nearest axis."""
    way = camera.position - at
    axis = int(np.argmax(np.abs(way)))
    normal = np.zeros(3)
    normal[axis] = np.sign(way[axis])
    return normal
