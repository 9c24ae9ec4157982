"""The invented pickup, rail and site as bodies of plane faces."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.demo import surfaces
from tracker.demo.mesh import Builder, Mesh, Surface
from tracker.demo.roadside.motion import FRONT, HALF, LENGTH
from tracker.demo.roadside.scenario import FACE, POSTS, WIDTH

PAINT = Surface(light=0.33, seam=0.35, seam_width=0.008)
DARK = Surface(light=0.07)
STEEL = Surface(light=0.42, seam=0.3, seam_width=0.02)
POST = Surface(light=0.24)
WHEELS = {
    "wheel_front_left": (0.0, -0.93, 0.0),
    "wheel_front_right": (0.0, 0.93, 0.0),
    "wheel_rear_left": (-3.57, -0.93, 0.0),
    "wheel_rear_right": (-3.57, 0.93, 0.0),
}
"""m, vehicle axes; where the tyres touch the ground."""

GROUND_TARGETS = {
    "g1": (-1.6, -5.4),
    "g2": (3.6, -5.9),
    "g3": (8.8, -5.6),
    "g4": (12.3, -4.7),
    "g5": (-1.9, 3.6),
    "g6": (3.2, 4.6),
    "g7": (7.4, 4.1),
    "g8": (12.0, 4.4),
    "g9": (16.2, 3.3),
    "g10": (18.6, -5.4),
}
"""x, y on the ground, m."""
UPRIGHT_TARGETS = {
    "b1": (0.4, 6.4, -1.5),
    "b2": (4.8, 6.0, -2.8),
    "b3": (9.4, 6.6, -1.7),
    "b4": (13.4, 6.2, -3.1),
    "b5": (17.0, 6.4, -1.5),
    "b6": (19.4, 6.0, -2.6),
}
"""Targets on boards that face the side camera, m."""
CROSSWISE_TARGETS = {
    "c1": (-4.6, -3.4, -1.0),
    "c2": (-4.9, -1.2, -2.3),
    "c3": (-4.4, 3.0, -1.1),
    "c4": (9.5, 3.2, -1.2),
    "c5": (10.5, -5.0, -0.9),
    "c6": (-5.2, 0.9, -3.1),
}
"""Targets on boards that face the camera downstream, m."""


def site(scale: float) -> Mesh:
    """The surveyed targets and their boards."""
    body = Builder()
    for name, (x, y) in GROUND_TARGETS.items():
        body.mark(name, "quadrant", 0.42 * scale, (x, y, 0.0), (0, 0, -1.0), (1.0, 0, 0))
    for name, (x, y, z) in UPRIGHT_TARGETS.items():
        body.mark(name, "quadrant", 0.46 * scale, (x, y, z), (0, -1.0, 0), (1.0, 0, 0))
        body.box((x - 0.04, y + 0.03, z - 0.3), (x + 0.04, y + 0.10, 0.0), STEEL, "xXy")
    for name, (x, y, z) in CROSSWISE_TARGETS.items():
        body.mark(name, "quadrant", 0.36 * scale, (x, y, z), (1.0, 0, 0), (0, 1.0, 0))
        body.box((x - 0.10, y - 0.04, z - 0.3), (x - 0.03, y + 0.04, 0.0), STEEL, "Xyz")
    for k in range(9):  # a wall far behind
        x = -14.0 + 5.0 * k
        body.box((x, 9.5, -0.9), (x + 4.9, 9.9, 0.0), Surface(light=0.5, seam=0.2), "xXyz")
    return body.build()


def pickup(scale: float) -> Mesh:
    """The pickup with its targets. Origin on the ground below the middle of the front axle."""
    body = Builder()
    rear = FRONT - LENGTH
    body.box((-0.75, -HALF, -1.16), (FRONT, HALF, -0.36), PAINT, "xXyYz")
    body.box((-2.95, -HALF, -1.22), (-0.75, HALF, -0.36), PAINT, "yY")
    body.box((-2.85, -0.84, -1.92), (-1.05, 0.84, -1.22), PAINT, "xXyYz")
    body.box((rear, -HALF, -1.32), (-2.95, HALF, -0.40), PAINT, "xXyYz")
    body.box((rear + 0.12, -0.85, -1.33), (-3.1, 0.85, -1.325), DARK, "z")
    for x in (0.0, -3.57):
        for side in (-1.0, 1.0):
            look = Surface(surfaces.WHEEL, light=0.5, dark=0.055, size=0.76, bias=0.02)
            body.plate((x, side * 1.005, -0.38), (0, side, 0), (1.0, 0, 0), (0.76, 0.76), look)
    up, left, front = (0.0, 0.0, -1.0), (0.0, -1.0, 0.0), (1.0, 0.0, 0.0)
    ahead, across = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0)
    m = scale
    body.mark("roof1", "quadrant", 0.32 * m, (-1.35, -0.50, -1.922), up, ahead)
    body.mark("roof2", "disc", 0.30 * m, (-1.35, 0.50, -1.922), up, ahead)
    body.mark("roof3", "hourglass", 0.32 * m, (-2.50, 0.50, -1.922), up, ahead)
    body.mark("roof4", "quadrant", 0.32 * m, (-2.50, -0.48, -1.922), up, ahead, square=True)
    body.mark("bonnet1", "quadrant", 0.32 * m, (0.30, -0.52, -1.162), up, ahead)
    body.mark("bonnet2", "disc", 0.30 * m, (0.30, 0.52, -1.162), up, ahead)
    body.mark("door1", "quadrant", 0.32 * m, (-1.20, -1.003, -0.80), left, ahead)
    body.mark("door2", "disc", 0.30 * m, (-2.20, -1.003, -0.84), left, ahead)
    body.mark("bed1", "quadrant", 0.32 * m, (-4.40, -1.003, -0.95), left, ahead, square=True)
    body.mark("fender1", "hourglass", 0.32 * m, (0.60, -1.003, -0.90), left, ahead)
    body.mark("grille1", "quadrant", 0.28 * m, (FRONT + 0.003, -0.62, -0.86), front, across)
    body.mark("grille2", "disc", 0.28 * m, (FRONT + 0.003, 0.62, -0.86), front, across)
    body.mark("cab1", "quadrant", 0.26 * m, (-1.047, -0.42, -1.58), front, across)
    body.mark("cab2", "quadrant", 0.26 * m, (-1.047, 0.42, -1.58), front, across, square=True)
    return body.build()


def rail(nodes: Array, scale: float) -> tuple[Mesh, list[list[int]]]:
    """Rail and posts, whose shape values are the deflections (nodes,) m; and of each post the
    faces that go with its top.
    """
    body = Builder(np.zeros(len(nodes)))
    for k in range(len(nodes) - 1):
        _segment(body, nodes, k)
    tops = []
    for number, x in enumerate(POSTS):
        node = int(np.argmin(np.abs(nodes - x)))
        first = len(body.corners)
        low, high = (x - 0.08, FACE + 0.09, -0.86), (x + 0.08, FACE + WIDTH, 0.0)
        body.box(low, high, POST, "xXyYz")
        for face in range(first, len(body.corners)):
            raised = -body.corners[face][:, 2] / 0.86
            body.change[face][:, 1, node] = raised
        place = (x, FACE + 0.20, -1.02)
        body.mark(
            f"post{number + 1}", "quadrant", 0.26 * scale, place, (0.62, -0.10, -0.78), (0, 1.0, 0)
        )
        body.change[-1][:, 1, node] = 1.0
        tops.append(list(range(first, len(body.corners))))
    return body.build(), tops


def _segment(body: Builder, nodes: Array, k: int) -> None:
    a, b = nodes[k], nodes[k + 1]
    for z0, z1 in ((-0.52, -0.68), (-0.68, -0.84)):
        change = np.zeros((4, 3, len(nodes)))
        change[[0, 3], 1, k] = 1.0
        change[[1, 2], 1, k + 1] = 1.0
        corners = [(a, FACE, z0), (b, FACE, z0), (b, FACE, z1), (a, FACE, z1)]
        body.face(corners, STEEL, (0, -1.0, 0), change)
    change = np.zeros((4, 3, len(nodes)))
    change[[0, 3], 1, k] = 1.0
    change[[1, 2], 1, k + 1] = 1.0
    top = [(a, FACE, -0.84), (b, FACE, -0.84), (b, FACE + 0.09, -0.84), (a, FACE + 0.09, -0.84)]
    body.face(top, STEEL, (0, 0, -1.0), change)
