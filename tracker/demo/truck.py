"""The invented work truck and the crush cushion on its back, in the truck's vehicle axes.

Origin on the ground below the rear end of the bed. The cushion's shape values are the x of its
seven frames, from the rear face forward.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from calibration.arrays import Array
from tracker.demo import surfaces
from tracker.demo.forces import CUSHION_LENGTH, CUSHION_WIDTH
from tracker.demo.mesh import Builder, Mesh, Surface

BAYS = 6
FOLDED = 0.145  # m, of a bay crushed solid
WHEEL_RADIUS = 0.47
DECK = -1.08

WHITE = Surface(light=0.66, seam=0.30, seam_width=0.010, gradient=0.10)
STEEL = Surface(light=0.17, seam=0.25, seam_width=0.010)
BLACK = Surface(light=0.04)
GLASS = Surface(surfaces.GLASS, light=0.40, dark=0.05, bias=0.010)
BLOCK = Surface(surfaces.ROUGH, light=0.46, dark=0.16, seam=0.2, seam_width=0.012)


def frame_places(crush: float) -> Array:
    """X (BAYS + 1,) of the cushion's frames when it is shortened by `crush` (m).

    The bays fold one after another from the rear, each beginning before the last has finished.
    """
    free = CUSHION_LENGTH / BAYS
    most = BAYS * (free - FOLDED)
    progress = np.clip(crush / most, 0.0, 1.2) * (BAYS + 0.8)
    share = np.clip((progress - np.arange(BAYS)) / 1.8, 0.0, 1.0)
    share = share * share * (3 - 2 * share) + 1e-9
    lengths = free - crush * share / share.sum()
    lengths = np.maximum(lengths, 0.09)
    return np.asarray(-CUSHION_LENGTH + crush + np.concatenate([[0.0], np.cumsum(lengths)]))


def _add_bed(body: Builder) -> None:
    body.box((0.0, -1.14, DECK), (3.25, 1.14, DECK + 0.12), STEEL, "xXyYZ")
    for i in range(6):  # planks
        low = -1.14 + i * 0.38
        body.face(
            [
                (0.0, low, DECK),
                (3.25, low, DECK),
                (3.25, low + 0.38, DECK),
                (0.0, low + 0.38, DECK),
            ],
            Surface(light=0.27 + 0.03 * (i % 2), seam=0.4, seam_width=0.012),
            (0, 0, -1),
        )
    for y0, y1 in ((1.10, 1.15), (-1.15, -1.10)):
        body.box((0.0, y0, DECK - 0.36), (3.25, y1, DECK), WHITE)
    body.box((3.22, -1.12, DECK - 0.75), (3.27, 1.12, DECK), STEEL)
    body.box((0.95, -0.80, DECK - 0.52), (2.55, 0.80, DECK), BLOCK)
    body.box((0.05, -0.42, -0.92), (5.0, 0.42, -0.62), BLACK, "xXyYzZ")
    body.box((1.75, 0.60, -0.86), (2.75, 1.06, -0.46), STEEL)
    body.box((1.75, -1.06, -0.86), (2.75, -0.60, -0.46), STEEL)
    hazard = Surface(surfaces.CHEVRON, light=0.68, dark=0.12, size=0.42, bias=0.008)
    body.plate((-0.01, 0.0, -1.25), (-1, 0, 0), (0, 1, 0), (2.2, 0.3), hazard)
    for side in (1.0, -1.0):
        for x in (0.0, 1.0833, 2.1667):
            body.box(
                (x, side * 1.16 - 0.02, DECK - 0.36), (x + 0.06, side * 1.16 + 0.02, DECK), STEEL
            )
        tape = Surface(surfaces.CHEVRON, light=0.60, dark=0.20, size=0.5, bias=0.010)
        body.plate((1.62, side * 1.141, DECK + 0.06), (0, side, 0), (1, 0, 0), (3.2, 0.05), tape)


def _board(body: Builder) -> None:
    """A sign of lamps behind the cab, an arrow over the bed."""
    for y in (-0.7, 0.7):
        body.box((3.30, y - 0.03, -2.4), (3.36, y + 0.03, DECK), STEEL)
    body.box((3.27, -1.0, -3.30), (3.39, 1.0, -2.40), Surface(light=0.07, seam=0.5))
    lamp = Surface(surfaces.ROUND, light=0.75, size=0.11, bias=0.010)
    spots = [(0.16 * i, 0.0) for i in range(-5, 6)]
    spots += [(0.80 - 0.15 * i, s * 0.12 * i) for i in (1, 2) for s in (-1, 1)]
    for y, z in spots:
        body.plate((3.265, y, -2.85 + z), (-1, 0, 0), (0, 1, 0), (0.11, 0.11), lamp)


def _cab(body: Builder) -> None:
    # side outline of the cab from the lower rear corner, x and z
    lower = [(3.48, -0.55), (5.25, -0.55), (5.25, -1.30), (3.48, -1.30)]
    upper = [(3.48, -1.30), (5.25, -1.30), (4.95, -2.36), (3.48, -2.36)]
    half, roof_half = 1.08, 1.0
    for side in (1.0, -1.0):
        body.face([(x, side * half, z) for x, z in lower], WHITE, (0, side, 0))
        widths = (half, half, roof_half, roof_half)
        corners = [(x, side * w, z) for (x, z), w in zip(upper, widths, strict=True)]
        body.face(corners, WHITE, (0, side, -0.1))
        a = np.array(corners)
        low_rear = a[0] + (a[1] - a[0]) * 0.30 + (a[3] - a[0]) * 0.08
        low_front = a[0] + (a[1] - a[0]) * 0.93 + (a[3] - a[0]) * 0.08
        high_front = a[3] + (a[2] - a[3]) * 0.93 - (a[3] - a[0]) * 0.12
        high_rear = a[3] + (a[2] - a[3]) * 0.36 - (a[3] - a[0]) * 0.12
        body.face(
            np.array([low_rear, low_front, high_front, high_rear]).tolist(), GLASS, (0, side, 0)
        )
        for x in (3.95, 5.02):
            strip = Surface(light=0.12, bias=0.010)
            body.plate((x, side * half, -0.93), (0, side, 0), (0, 0, 1), (0.74, 0.014), strip)
        body.plate(
            (4.12, side * half, -1.2),
            (0, side, 0),
            (1, 0, 0),
            (0.16, 0.04),
            Surface(light=0.08, bias=0.010),
        )
        body.box((5.20, side * 1.22 - 0.08, -1.95), (5.28, side * 1.22 + 0.08, -1.5), BLACK)
    body.face(
        [(5.25, s * half, z) for s, z in ((1, -0.55), (-1, -0.55), (-1, -1.3), (1, -1.3))],
        WHITE,
        (1, 0, 0),
    )
    front = [
        (5.25, half, -1.3),
        (5.25, -half, -1.3),
        (4.95, -roof_half, -2.36),
        (4.95, roof_half, -2.36),
    ]
    body.face(front, GLASS, (1, 0, -0.3))
    rear = [
        (3.48, half, -0.55),
        (3.48, -half, -0.55),
        (3.48, -roof_half, -2.36),
        (3.48, roof_half, -2.36),
    ]
    body.face(rear, WHITE, (-1, 0, 0))
    body.face(
        [(x, s * roof_half, -2.36) for x, s in ((3.48, 1), (4.95, 1), (4.95, -1), (3.48, -1))],
        WHITE,
        (0, 0, -1),
    )
    body.box((4.1, -0.55, -2.50), (4.3, 0.55, -2.36), Surface(light=0.30, seam=0.4))
    body.box((5.25, -1.05, -0.78), (5.36, 1.05, -0.45), STEEL)


def _running_gear(body: Builder) -> list[int]:
    faces = []
    for side in (1.0, -1.0):
        for x, y in ((1.0, 1.10), (4.30, 1.04)):
            arch = Surface(surfaces.ROUND, light=0.03, size=1.10, bias=0.02)
            if x > 3:
                body.plate((x, side * 1.081, -0.50), (0, side, 0), (1, 0, 0), (1.10, 1.10), arch)
            width = 2 * WHEEL_RADIUS
            look = Surface(surfaces.WHEEL, light=0.42, dark=0.05, size=width, bias=0.09)
            centre = (x, side * y, -WHEEL_RADIUS)
            body.plate(centre, (0, side, 0), (1, 0, 0), (width, width), look)
            faces.append(len(body.corners) - 1)
        body.box((0.42, side * 1.0 - 0.13, -1.04), (1.58, side * 1.0 + 0.13, -0.99), BLACK)
    return faces


def build(mark_scale: float = 1.0) -> tuple[Mesh, list[int]]:
    """The truck without its cushion, and which of its faces are wheels."""
    body = Builder()
    _add_bed(body)
    _cab(body)
    down, left = (0.0, 0.0, 1.0), (0.0, -1.0, 0.0)
    m = mark_scale
    body.stick("bed1", "quadrant", 0.30 * m, (0.42, -0.72), down)
    body.stick("bed2", "quadrant", 0.30 * m, (0.42, 0.72), down, square=True)
    body.stick("block1", "hourglass", 0.32 * m, (1.30, -0.45), down)
    body.stick("block2", "disc", 0.30 * m, (1.30, 0.45), down)
    body.stick("block3", "quadrant", 0.30 * m, (2.20, 0.0), down)
    body.stick("side1", "quadrant", 0.27 * m, (0.55, DECK - 0.18), left)
    body.stick("side2", "disc", 0.26 * m, (1.62, DECK - 0.18), left)
    body.stick("side3", "quadrant", 0.27 * m, (2.75, DECK - 0.18), left, square=True)
    body.stick("tank1", "ring", 0.26 * m, (2.25, -0.66), left)
    body.stick("cab1", "hourglass", 0.28 * m, (3.70, -1.02), left)
    _board(body)
    wheels = _running_gear(body)
    return body.build(), wheels


def build_cushion() -> Mesh:
    """The crush cushion; its shape values are the places of `frame_places`."""
    body = Builder(frame_places(0.0))
    half, low, high = CUSHION_WIDTH / 2 - 0.04, -0.34, -0.98
    wall = Surface(surfaces.RIBBED, light=0.50, dark=0.36, count=3.0)
    lid = Surface(surfaces.RIBBED, light=0.56, dark=0.44, count=3.0)
    frame = Surface(light=0.20, bias=0.008)

    def place(x_frames: tuple[int, ...], points: list[tuple[float, float, float]]) -> Array:
        change = np.zeros((len(points), 3, BAYS + 1))
        for i, k in enumerate(x_frames):
            change[i, 0, k] = 1.0
        return change

    for k, n in pairwise(range(BAYS + 1)):
        order = (k, n, n, k)
        for side in (1.0, -1.0):
            points = [(0.0, side * half, z) for z in (low, low, high, high)]
            body.face(points, wall, (0, side, 0), place(order, points))
        points = [(0.0, y, high) for y in (half, half, -half, -half)]
        body.face(points, lid, (0, 0, -1), place(order, points))
    for k in range(BAYS + 1):
        a, b = -0.035, 0.035
        wide, tall = half + 0.04, high - 0.03
        for side in (1.0, -1.0):
            points = [
                (x, side * wide, z)
                for x, z in ((a, low + 0.04), (b, low + 0.04), (b, tall), (a, tall))
            ]
            body.face(points, frame, (0, side, 0), place((k,) * 4, points))
        points = [(a, wide, tall), (b, wide, tall), (b, -wide, tall), (a, -wide, tall)]
        body.face(points, frame, (0, 0, -1), place((k,) * 4, points))
    wide, tall = half + 0.04, high - 0.03
    points = [
        (-0.035, y, z)
        for y, z in ((wide, low + 0.04), (-wide, low + 0.04), (-wide, tall), (wide, tall))
    ]
    chevron = Surface(surfaces.CHEVRON, light=0.72, dark=0.10, size=0.45)
    body.face(points, chevron, (-1, 0, 0), place((0,) * 4, points))
    for side in (1.0, -1.0):
        points = [
            (x, side * half, z)
            for x, z in (
                (0.08, low - 0.1),
                (-0.08, low - 0.1),
                (-0.08, high + 0.1),
                (0.08, high + 0.1),
            )
        ]
        mark = Surface(surfaces.CHEVRON, light=0.70, dark=0.12, size=0.3, bias=0.010)
        body.face(points, mark, (0, side, 0), place((0, 1, 1, 0), points))
    return body.build()
