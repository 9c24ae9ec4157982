"""The roadside scene at a time: the pickup, the rail it bends, and the post that breaks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from calibration.constants import GRAVITY
from tracker.core.rigid_body import rotation
from tracker.core.types import SURVEY, MarkId
from tracker.demo.debris import Thrown
from tracker.demo.mesh import Mesh, Painted
from tracker.demo.roadside import bodies
from tracker.demo.roadside.motion import CG, Redirection, redirect
from tracker.demo.roadside.scenario import (
    ARTICLE,
    BREAKS,
    FACE,
    POSTS,
    VEHICLE,
    RoadsideScenario,
)
from tracker.demo.scene import Moving

BROKEN_AT = 0.60
"""Deflection over its greatest at which the post breaks."""
_SPIN, _THROWN = 11.0, 2.6  # rad/s, m/s: how the broken post turns over and flies off


@dataclass(frozen=True)
class RoadsideScene:
    """What stands and moves."""

    scenario: RoadsideScenario
    motion: Redirection
    static: Mesh
    pickup: Mesh
    rail: Mesh
    tops: list[list[int]]
    broken: float  # s, when the post breaks

    @property
    def meshes(self) -> Mapping[str, Mesh]:
        """The bodies that bear marks."""
        return {VEHICLE: self.pickup, ARTICLE: self.rail}

    @property
    def clouds(self) -> Thrown:
        """None."""
        none = np.zeros((0, 3))
        return Thrown(np.zeros(0), none, none, none, np.zeros((0, 2)), np.zeros(0))

    def place(self, time: float) -> tuple[Array, Array]:
        """Rotation (3, 3) to ground axes and origin (3,) of the pickup's axes."""
        state = self.motion.state(np.array([time]))[0]
        turn = rotation(state[3:6])
        return turn, state[:3] - turn @ np.array(CG)

    def moving(self, time: float, born_by: float | None = None) -> Moving:
        """The moving faces at a time."""
        turn, origin = self.place(time)
        car = self.pickup.corners @ turn.T + origin
        rail = self.rail.corners_of_shape(self.motion.rail(time))
        which = self.tops[BREAKS]
        rail[which] = self._post_places(rail[which].reshape(-1, 3), time)[0].reshape(-1, 4, 3)
        ends = (len(car), len(car) + len(rail))
        return Moving(
            np.concatenate([car, rail]),
            np.concatenate([self.pickup.kinds, self.rail.kinds]),
            np.concatenate([self.pickup.surfaces, self.rail.surfaces]),
            ends,
            ((1.2, 9.0), (9.0,)),
        )

    def place_targets(self, marks: Mapping[MarkId, Painted], time: float) -> tuple[Array, Array]:
        """Places (n, 3) and outward normals (n, 3) of targets in ground axes."""
        turn, origin = self.place(time)
        points, normals = [], []
        for name, mark in marks.items():
            at, normal = np.array(mark.at), np.array(mark.normal)
            if name.vehicle == SURVEY:
                points.append(at)
            elif name.vehicle == VEHICLE:
                points.append(turn @ at + origin)
                normal = turn @ normal
            else:
                number = int(name.marker[-1]) - 1
                at = at + np.array([0.0, self.way(number, time), 0.0])
                if number == BREAKS:
                    places, spun = self._post_places(at[None], time)
                    at, normal = places[0], spun @ normal
                points.append(at)
            normals.append(normal / np.linalg.norm(normal))
        return np.array(points), np.array(normals)

    def way(self, number: int, time: float) -> float:
        """How far the target on a post's top has moved, m."""
        node = int(np.argmin(np.abs(self.motion.nodes - POSTS[number])))
        return float(self.motion.rail(time)[node])

    def _post_places(self, points: Array, time: float) -> tuple[Array, Array]:
        """Points (n, 3) of the post that breaks, and its turn (3, 3), once it has broken."""
        since = time - self.broken
        if since <= 0:
            return points, np.eye(3)
        angle = min(_SPIN * since, np.pi)
        c, s = np.cos(angle), np.sin(angle)
        turn = np.array([[c, 0, -s], [0, 1.0, 0], [s, 0, c]])
        pivot = np.array([POSTS[BREAKS], FACE + 0.2, -0.45])
        drop = min(0.5 * GRAVITY * since**2, 0.3)
        return (points - pivot) @ turn.T + pivot + [0.0, _THROWN * since, drop], turn


def make_roadside(scenario: RoadsideScenario) -> RoadsideScene:
    """Simulate the redirection and build all bodies."""
    motion = redirect(scenario)
    rail, tops = bodies.rail(motion.nodes, scenario.mark_scale)
    node = int(np.argmin(np.abs(motion.nodes - POSTS[BREAKS])))
    way = motion.rail(motion.time)[:, node]
    broken = float(motion.time[np.argmax(way > BROKEN_AT * way.max())])
    return RoadsideScene(
        scenario,
        motion,
        bodies.site(scenario.mark_scale),
        bodies.pickup(scenario.mark_scale),
        rail,
        tops,
        broken,
    )
