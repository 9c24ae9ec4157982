"""The whole scene: bodies, their places at a time, and the shadows they throw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import SURVEY, MarkId
from tracker.demo import car as car_body
from tracker.demo import forces, physics, raster, site
from tracker.demo import truck as truck_body
from tracker.demo.debris import Thrown, pieces_at, throw
from tracker.demo.mesh import Mesh, Painted
from tracker.demo.options import DRAWING
from tracker.demo.physics import History
from tracker.demo.raster import Single
from tracker.demo.scenario import Scenario
from tracker.demo.surfaces import PLAIN

SPRING_BACK = 0.05  # m, of the folded cushion


@dataclass(frozen=True)
class Moving:
    """All moving faces at one time, ground axes."""

    corners: Array  # (faces, 4, 3)
    kinds: NDArray[np.int64]
    surfaces: Single
    ends: tuple[int, ...]  # past the last face of car, truck and cushion; then loose pieces
    levels: tuple[tuple[float, ...], ...] = ((0.95, 9.0), (1.1, 1.7, 9.0), (9.0,))
    """Heights (m) of the slabs of each body that throw a shadow each."""

    @property
    def bodies(self) -> list[Array]:
        """Corners (n, 3) of car, truck and cushion."""
        return [c.reshape(-1, 3) for c in np.split(self.corners, self.ends)[:-1]]


class Staged(Protocol):
    """What can be drawn: a scenario, what stands still, and what moves."""

    @property
    def scenario(self) -> Scenario:
        """How it is filmed."""
        ...

    @property
    def static(self) -> Mesh:
        """What stands still, with the surveyed targets."""
        ...

    @property
    def meshes(self) -> Mapping[str, Mesh]:
        """The bodies that bear marks, by name."""
        ...

    @property
    def clouds(self) -> Thrown:
        """Dust."""
        ...

    def moving(self, time: float, born_by: float | None = None) -> Moving:
        """The moving faces at a time."""
        ...

    def place_targets(self, marks: Mapping[MarkId, Painted], time: float) -> tuple[Array, Array]:
        """Places (n, 3) and outward normals (n, 3) of targets in ground axes."""
        ...


@dataclass(frozen=True)
class Scene:
    """What stands and moves in a scenario."""

    scenario: Scenario
    history: History
    static: Mesh
    car: Mesh
    truck: Mesh
    cushion: Mesh
    car_wheels: list[int]
    truck_wheels: list[int]
    pieces: Thrown
    clouds: Thrown

    @property
    def meshes(self) -> dict[str, Mesh]:
        """The vehicles' bodies that bear marks."""
        return {"car": self.car, "truck": self.truck}

    def place(self, vehicle: str, time: float) -> tuple[Array, Array]:
        """Rotation (3, 3) to ground axes and origin (3,) of a vehicle's axes."""
        state = self.history.state(vehicle, np.array([time]))[0]
        turn = rotation(state[3:6])
        return turn, state[:3] - turn @ np.array(self.chassis(vehicle).cg)

    def place_targets(self, marks: Mapping[MarkId, Painted], time: float) -> tuple[Array, Array]:
        """Places (n, 3) and outward normals (n, 3) of targets in ground axes."""
        frames = {v: self.place(v, time) for v in self.meshes}
        frames[SURVEY] = (np.eye(3), np.zeros(3))
        points, normals = [], []
        for name, mark in marks.items():
            turn, origin = frames[name.vehicle]
            points.append(turn @ np.array(mark.at) + origin)
            normals.append(turn @ np.array(mark.normal))
        return np.array(points), np.array(normals)

    def chassis(self, vehicle: str) -> physics.Chassis:
        """Mass, cg and so on of a vehicle."""
        return physics.car(self.scenario) if vehicle == "car" else physics.truck(self.scenario)

    def crush(self, time: float) -> tuple[float, float]:
        """How much the cushion and the car's nose are shortened, m."""
        closing = self.history.closing_at(time)
        if time > 0:
            i = np.searchsorted(self.history.time, time)
            most = float(self.history.closing[:i].max(initial=0.0))
            closing = max(closing, most - SPRING_BACK)
        nose = float(forces.nose_share(closing))
        return max(0.0, closing - nose), nose

    def moving(self, time: float, born_by: float | None = None) -> Moving:
        """The moving faces at a time; `born_by` as of `tracker.demo.debris.pieces_at`."""
        crush, nose = self.crush(time)
        turn, origin = self.place("car", time)
        car_corners = self.car.corners_of_shape(np.array([nose])) @ turn.T + origin
        car_surfaces = self.car.surfaces.copy()
        car_surfaces[self.car_wheels, raster.COUNT] = origin[0] / car_body.WHEEL_RADIUS
        turn, origin = self.place("truck", time)
        truck_corners = self.truck.corners @ turn.T + origin
        folded = self.cushion.corners_of_shape(truck_body.frame_places(crush)) @ turn.T + origin
        loose, loose_surfaces = pieces_at(self.pieces, time, born_by)
        parts = (self.car.kinds, self.truck.kinds, self.cushion.kinds)
        plain = np.full(len(loose), PLAIN, dtype=np.int64)
        return Moving(
            np.concatenate([car_corners, truck_corners, folded, loose]),
            np.concatenate([*parts, plain]),
            np.concatenate(
                [car_surfaces, self.truck.surfaces, self.cushion.surfaces, loose_surfaces]
            ),
            tuple(np.cumsum([len(p) for p in parts]).tolist()),
        )


def shadows(moving: Moving) -> list[Array]:
    """Convex outlines (n, 2) on the ground of the sun's shadows of car, truck and cushion."""
    outlines = []
    for points, levels in zip(moving.bodies, moving.levels, strict=True):
        below = 0.0
        for level in levels:
            height = -points[:, 2]
            slab = points[(height <= level + 0.02) & (height >= below - 0.05)]
            outlines.append(hull(slab[:, :2] - slab[:, 2:] * SUN_FALL))
            below = level
    return outlines


def footprints(moving: Moving) -> list[Array]:
    """Convex outlines (n, 2) of car, truck and cushion seen from above."""
    return [hull(points[:, :2]) for points in moving.bodies]


SUN_FALL = site.SUN[:2] / site.SUN[2]
"""Shift on the ground of a shadow per metre of height."""


def make_scene(scenario: Scenario) -> Scene:
    """Simulate the crash and build all bodies."""
    car, car_wheels = car_body.build(scenario.mark_scale)
    truck, truck_wheels = truck_body.build(scenario.mark_scale)
    history = physics.simulate(scenario)
    return Scene(
        scenario,
        history,
        site.build(scenario.mark_scale),
        car,
        truck,
        truck_body.build_cushion(),
        car_wheels,
        truck_wheels,
        throw(history, DRAWING.pieces if scenario.dust else 0, scenario.seed),
        throw(history, DRAWING.clouds if scenario.dust else 0, scenario.seed),
    )


def rotation(attitude: Array) -> Array:
    """Rotation (3, 3) from vehicle to ground axes of roll, pitch, yaw (SAE J670: intrinsic
    yaw, pitch, roll).
    """
    (cr, cp, cy), (sr, sp, sy) = np.cos(attitude), np.sin(attitude)
    return np.array(
        [
            [cy * cp, cy * sp * sr - sy * cr, cy * sp * cr + sy * sr],
            [sy * cp, sy * sp * sr + cy * cr, sy * sp * cr - cy * sr],
            [-sp, cp * sr, cp * cr],
        ]
    )


def hull(points: Array) -> Array:
    """Convex hull (n, 2) of points (m, 2), true to 15 mm."""
    outline = cv2.convexHull(points.astype(np.float32))
    return np.asarray(cv2.approxPolyDP(outline, 0.015, True)[:, 0, :], dtype=np.float64)


def marks_of(scene: Staged) -> dict[MarkId, Painted]:
    """All painted targets under their full names, `vehicle.marker` or `survey.name`."""
    found = {MarkId(SURVEY, m.name): m for m in scene.static.marks}
    for vehicle, mesh in scene.meshes.items():
        found |= {MarkId(vehicle, m.name): m for m in mesh.marks}
    return found
