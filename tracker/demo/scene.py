"""The whole scene: bodies, their places at a time, and the shadows they throw."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.demo import car as car_body
from tracker.demo import forces, physics, raster, site
from tracker.demo import truck as truck_body
from tracker.demo.mesh import Mesh, Painted
from tracker.demo.physics import History
from tracker.demo.raster import Single
from tracker.demo.scenario import Scenario

SPRING_BACK = 0.05  # m, of the folded cushion


@dataclass(frozen=True)
class Moving:
    """All moving faces at one time, ground axes."""

    corners: Array  # (faces, 4, 3)
    kinds: NDArray[np.int64]
    surfaces: Single


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

    @property
    def meshes(self) -> dict[str, Mesh]:
        """The vehicles' bodies that bear marks."""
        return {"car": self.car, "truck": self.truck}

    def place(self, vehicle: str, time: float) -> tuple[Array, Array]:
        """Rotation (3, 3) to ground axes and origin (3,) of a vehicle's axes."""
        state = self.history.state(vehicle, np.array([time]))[0]
        turn = rotation(state[3:6])
        return turn, state[:3] - turn @ np.array(self.chassis(vehicle).cg)

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

    def moving(self, time: float) -> Moving:
        """The moving faces at a time."""
        crush, nose = self.crush(time)
        turn, origin = self.place("car", time)
        car_corners = self.car.shaped(np.array([nose])) @ turn.T + origin
        car_surfaces = self.car.surfaces.copy()
        travelled = origin[0] / car_body.WHEEL_RADIUS
        car_surfaces[self.car_wheels, raster.COUNT] = travelled
        turn, origin = self.place("truck", time)
        truck_corners = self.truck.corners @ turn.T + origin
        truck_surfaces = self.truck.surfaces.copy()
        truck_surfaces[self.truck_wheels, raster.COUNT] = 0.4
        folded = self.cushion.shaped(truck_body.frame_places(crush)) @ turn.T + origin
        return Moving(
            np.concatenate([car_corners, truck_corners, folded]),
            np.concatenate([self.car.kinds, self.truck.kinds, self.cushion.kinds]),
            np.concatenate([car_surfaces, truck_surfaces, self.cushion.surfaces]),
        )

    def shadow_casters(self, time: float) -> list[Array]:
        """Convex outlines (n, 2) on the ground, in the sun's shadow of each part."""
        moving = self.moving(time).corners
        n_car, n_truck = len(self.car.corners), len(self.truck.corners)
        parts = [moving[:n_car], moving[n_car : n_car + n_truck], moving[n_car + n_truck :]]
        outlines = []
        for part, levels in zip(parts, ((0.95, 9.0), (1.1, 1.7, 9.0), (9.0,)), strict=True):
            points = part.reshape(-1, 3)
            below = 0.0
            for level in levels:
                slab = points[(-points[:, 2] <= level + 0.02) & (-points[:, 2] >= below - 0.05)]
                fallen = slab[:, :2] - slab[:, 2:] * SUN_FALL
                outlines.append(hull(fallen))
                below = level
        return outlines

    def footprints(self, time: float) -> list[Array]:
        """Convex outlines (n, 2) of what stands close over the ground."""
        moving = self.moving(time).corners
        n_car, n_truck = len(self.car.corners), len(self.truck.corners)
        parts = [moving[:n_car], moving[n_car : n_car + n_truck], moving[n_car + n_truck :]]
        return [hull(p.reshape(-1, 3)[:, :2]) for p in parts]


SUN_FALL = site.SUN[:2] / site.SUN[2]
"""Shift on the ground of a shadow per metre of height."""


def make_scene(scenario: Scenario) -> Scene:
    """Simulate the crash and build all bodies."""
    car, car_wheels = car_body.build(scenario.mark_scale)
    truck, truck_wheels = truck_body.build(scenario.mark_scale)
    return Scene(
        scenario,
        physics.simulate(scenario),
        site.build(scenario.mark_scale),
        car,
        truck,
        truck_body.build_cushion(),
        car_wheels,
        truck_wheels,
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
    """Convex hull (n, 2) of points (m, 2)."""
    return np.asarray(cv2.convexHull(points.astype(np.float32))[:, 0, :], dtype=np.float64)


def marks_of(scene: Scene) -> dict[str, Painted]:
    """All painted targets under their full names, `vehicle.marker` or `survey.name`."""
    found = {f"survey.{m.name}": m for m in scene.static.marks}
    for vehicle, mesh in scene.meshes.items():
        found |= {f"{vehicle}.{m.name}": m for m in mesh.marks}
    return found
