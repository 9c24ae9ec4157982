"""The pole scene at a time: site, small car, foundation and the pole that breaks away."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.core.rigid_body import rotation
from tracker.core.types import SURVEY, MarkId
from tracker.demo import car, physics, raster
from tracker.demo.debris import Thrown
from tracker.demo.mesh import Builder, Mesh, Painted, Surface
from tracker.demo.roadside.pole_motion import PoleStrike, foundation, strike
from tracker.demo.roadside.scenario import ARTICLE, POLE_HEIGHT, POLE_SIDE, POLE_Y, PoleScenario
from tracker.demo.scene import Moving

CAR = "car"
STEEL = Surface(light=0.42, seam=0.3, seam_width=0.02)
CONCRETE = Surface(light=0.52, seam=0.2)
GROUND_TARGETS = {
    "g1": (-4.2, -3.6),
    "g2": (-3.6, 3.0),
    "g3": (-0.6, -4.4),
    "g4": (0.9, 3.6),
    "g5": (3.4, -4.0),
    "g6": (5.2, 3.1),
    "g7": (7.4, -3.9),
    "g8": (9.2, 2.9),
    "g9": (11.6, -3.0),
    "g10": (14.6, 3.4),
    "g11": (17.6, -3.2),
}
"""x, y on the ground, m."""
UPRIGHT_TARGETS = {
    "b1": (-3.6, -5.4, -1.2),
    "b2": (-0.9, -5.8, -3.6),
    "b3": (1.8, -5.2, -1.6),
    "b4": (4.6, -5.6, -3.8),
    "b5": (7.6, -5.3, -1.3),
    "b6": (9.4, -5.7, -3.0),
    "b7": (12.0, -5.2, -1.2),
    "b8": (15.0, -5.8, -2.8),
    "b9": (18.4, -5.4, -1.4),
}
"""Targets on boards that face the two cameras beside the path, m."""
FOOT = ("base_left", "base_right")
"""Marks on the foundation; the others are the pole's."""


@dataclass(frozen=True)
class PoleScene:
    """What stands and moves."""

    scenario: PoleScenario
    motion: PoleStrike
    static: Mesh
    car: Mesh
    wheels: list[int]
    article: Mesh
    pole: list[int]  # faces of the article that fly

    @property
    def meshes(self) -> Mapping[str, Mesh]:
        """The bodies that bear marks."""
        return {CAR: self.car, ARTICLE: self.article}

    @property
    def clouds(self) -> Thrown:
        """None."""
        none = np.zeros((0, 3))
        return Thrown(np.zeros(0), none, none, none, np.zeros((0, 2)), np.zeros(0))

    @property
    def cg(self) -> tuple[float, float, float]:
        """Of the car, vehicle axes, m."""
        return physics.car(self.scenario).cg

    def place(self, time: float) -> tuple[Array, Array]:
        """Rotation (3, 3) to ground axes and origin (3,) of the car's axes."""
        state = self.motion.state(np.array([time]))[0]
        turn = rotation(state[3:6])
        return turn, state[:3] - turn @ np.array(self.cg)

    def moving(self, time: float, born_by: float | None = None) -> Moving:
        """The moving faces at a time."""
        turn, origin = self.place(time)
        body = self.car.corners_of_shape(np.array([self.motion.nose(time)])) @ turn.T + origin
        surfaces = self.car.surfaces.copy()
        surfaces[self.wheels, raster.COUNT] = origin[0] / car.WHEEL_RADIUS
        article = self.article.corners + np.array([foundation(time), 0.0, 0.0])
        flying = self.article.corners[self.pole].reshape(-1, 3)
        article[self.pole] = self.pole_places(flying, time)[0].reshape(-1, 4, 3)
        ends = (len(body), len(body) + self.pole[0], len(body) + len(article))
        return Moving(
            np.concatenate([body, article]),
            np.concatenate([self.car.kinds, self.article.kinds]),
            np.concatenate([surfaces, self.article.surfaces]),
            ends,
            ((0.95, 9.0), (9.0,), (9.0,)),
        )

    def place_targets(self, marks: Mapping[MarkId, Painted], time: float) -> tuple[Array, Array]:
        """Places (n, 3) and outward normals (n, 3) of targets in ground axes."""
        turn, origin = self.place(time)
        points, normals = [], []
        for name, mark in marks.items():
            at, normal = np.array(mark.at), np.array(mark.normal)
            if name.vehicle == CAR:
                at, normal = turn @ at + origin, turn @ normal
            elif name.vehicle != SURVEY and name.marker in FOOT:
                at = at + np.array([foundation(time), 0.0, 0.0])
            elif name.vehicle != SURVEY:
                places, spun = self.pole_places(at[None], time)
                at, normal = places[0], spun @ normal
            points.append(at)
            normals.append(normal / np.linalg.norm(normal))
        return np.array(points), np.array(normals)

    def pole_places(self, points: Array, time: float) -> tuple[Array, Array]:
        """Points (n, 3) of the pole and its turn (3, 3); its foot swings ahead."""
        x, drop, angle = self.motion.pole(np.clip(time, None, self.motion.time[-1]))
        c, s = np.cos(angle), np.sin(angle)
        turn = np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
        middle = np.array([POLE_SIDE / 2, POLE_Y, -POLE_HEIGHT / 2])
        return (points - middle) @ turn.T + middle + [x, 0.0, drop], turn


def site(scale: float) -> Mesh:
    """The surveyed targets and their boards."""
    body = Builder()
    for name, (x, y) in GROUND_TARGETS.items():
        body.mark(name, "quadrant", 0.36 * scale, (x, y, 0.0), (0, 0, -1.0), (1.0, 0, 0))
    for name, (x, y, z) in UPRIGHT_TARGETS.items():
        body.mark(name, "quadrant", 0.36 * scale, (x, y, z), (0, 1.0, 0), (1.0, 0, 0))
        body.box((x - 0.04, y - 0.10, z - 0.3), (x + 0.04, y - 0.03, 0.0), STEEL, "xXY")
    for k in range(10):  # a wall far behind
        x = -16.0 + 5.0 * k
        body.box((x, -9.6, -0.9), (x + 4.9, -9.2, 0.0), Surface(light=0.5, seam=0.2), "xXYz")
    return body.build()


def pole(scale: float) -> tuple[Mesh, list[int]]:
    """Foundation and pole, and the pole's faces."""
    body, side, across = Builder(), POLE_SIDE, POLE_Y
    body.box((-0.35, -1.6, -0.04), (0.75, 1.9, 0.0), CONCRETE, "xXyYz")
    for name, y in zip(FOOT, (-1.25, 1.5), strict=True):
        place = (side / 2, y, -0.042)
        body.mark(name, "quadrant", 0.34 * scale, place, (0, 0, -1.0), (1.0, 0, 0))
    first = len(body.corners)
    low = (0.0, across - side / 2, -POLE_HEIGHT)
    body.box(low, (side, across + side / 2, -0.06), STEEL, "xXyYzZ")
    for name, z in (("pole_low", -1.10), ("pole_mid", -2.10), ("pole_high", -3.10)):
        place = (side / 2, across + side / 2 + 0.004, z)
        body.mark(name, "quadrant", 0.26 * scale, place, (0, 1.0, 0), (1.0, 0, 0), square=True)
    return body.build(), list(range(first, len(body.corners)))


def make_pole(scenario: PoleScenario) -> PoleScene:
    """Simulate the strike and build all bodies."""
    body, wheels = car.build(scenario.mark_scale)
    article, flying = pole(scenario.mark_scale)
    scale = scenario.mark_scale
    return PoleScene(scenario, strike(scenario), site(scale), body, wheels, article, flying)
