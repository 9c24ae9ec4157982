"""The invented small car as a body of plane faces, in vehicle axes.

Origin on the ground below the middle of the front axle. Shape values: crush of the nose (m), turn
of the wheels (rad, enters through `wheel_faces`).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from calibration.arrays import Array
from tracker.demo import surfaces
from tracker.demo.mesh import Builder, Mesh, Point, Surface

WHEEL_RADIUS = 0.29
WHEELS_X = (0.0, -2.45)
ROOF = -1.45
BELT = -0.93

PAINT = Surface(light=0.36, seam=0.35, seam_width=0.006, gradient=0.12)
BONNET = Surface(light=0.37, seam=0.45, seam_width=0.008)
BLACK = Surface(light=0.05)
TRIM = Surface(light=0.10)
GLASS = Surface(surfaces.GLASS, light=0.42, dark=0.05, bias=0.006)

# x, half width, sill z, top z, share of the nose's crush, lift of the top at full share
STATIONS = (
    (0.78, 0.60, -0.27, -0.66, 1.00, 0.00),
    (0.56, 0.77, -0.20, -0.76, 0.74, -0.12),
    (0.30, 0.80, -0.19, -0.80, 0.34, -0.30),
    (-0.12, 0.82, -0.19, -0.86, 0.00, 0.00),
    (-0.62, 0.83, -0.19, BELT, 0.00, 0.00),
    (-2.72, 0.82, -0.20, BELT, 0.00, 0.00),
    (-3.02, 0.77, -0.24, -0.88, 0.00, 0.00),
    (-3.10, 0.66, -0.30, -0.80, 0.00, 0.00),
)


def _outline(station: tuple[float, ...]) -> tuple[Array, Array]:
    """Points (8, 3) of one cross-section, right sill over the top to left sill, and their change
    by the crush.
    """
    x, half, sill, top, share, lift = station
    right = [
        (half - 0.05, sill),
        (half, sill - 0.24),
        (half - 0.015, top + 0.09),
        (half - 0.10, top),
    ]
    points = [(x, y, z) for y, z in right] + [(x, -y, z) for y, z in right[::-1]]
    change = np.zeros((8, 3, 1))
    change[:, 0, 0] = -share
    change[2:6, 2, 0] = lift
    return np.array(points), change


def _hull(body: Builder) -> None:
    sections = [_outline(s) for s in STATIONS]
    for n, ((front, d_front), (back, d_back)) in enumerate(pairwise(sections)):
        for i in range(7):
            top = i == 3
            middle = (front[i] + front[i + 1] + back[i] + back[i + 1]) / 4
            outward = (0.0, 0.0, -1.0) if top else (0.0, float(np.sign(middle[1])), -0.2)
            look = BONNET if top or n in (0, 5, 6) else PAINT
            body.face(
                np.array([front[i], front[i + 1], back[i + 1], back[i]]).tolist(),
                look,
                outward,
                np.array([d_front[i], d_front[i + 1], d_back[i + 1], d_back[i]]),
            )
    for (points, change), end in ((sections[0], 1.0), (sections[-1], -1.0)):
        for i in range(3):
            corners = [i, i + 1, 6 - i, 7 - i]
            look = (BLACK, TRIM, PAINT)[i] if end > 0 else (TRIM, PAINT, PAINT)[i]
            body.face(points[corners].tolist(), look, (end, 0.0, 0.0), change[corners])


def _cabin(body: Builder) -> None:
    base = {"front": -0.60, "rear": -2.98, "half": 0.725}
    roof = {"front": -1.30, "rear": -2.50, "half": 0.575}
    for side in (1.0, -1.0):
        low = [(base[e], side * base["half"], BELT) for e in ("front", "rear")]
        high = [(roof[e], side * roof["half"], ROOF) for e in ("rear", "front")]
        outward = (0.0, side, -0.3)
        body.face([*low, *high], PAINT, outward)
        a = np.array([low[0], low[1], high[0], high[1]])

        def at(u: float, v: float, a: Array = a) -> list[float]:
            bottom, top = a[0] + (a[1] - a[0]) * u, a[3] + (a[2] - a[3]) * u
            return list((bottom + (top - bottom) * v).tolist())

        for u0, u1 in ((0.14, 0.47), (0.50, 0.80)):
            panes = [at(u0, 0.06), at(u1, 0.06), at(u1, 0.90), at(u0 + 0.02, 0.90)]
            body.face(panes, GLASS, outward)
        body.face([at(0.83, 0.1), at(0.93, 0.1), at(0.90, 0.8), at(0.83, 0.85)], GLASS, outward)
    for end, facing in (("front", 1.0), ("rear", -1.0)):
        low_y, high_y = base["half"], roof["half"]
        frame = [
            (base[end], low_y, BELT),
            (base[end], -low_y, BELT),
            (roof[end], -high_y, ROOF),
            (roof[end], high_y, ROOF),
        ]
        body.face(frame, PAINT, (facing, 0.0, -0.4))
        c = np.array(frame)
        middle = c.mean(axis=0)
        body.face(middle + (c - middle) * [0.90, 0.91, 0.86], GLASS, (facing, 0.0, -0.4))
    h = roof["half"]
    corners = [(roof["front"], h), (roof["front"], -h), (roof["rear"], -h), (roof["rear"], h)]
    body.face([(x, y, ROOF) for x, y in corners], BONNET, (0.0, 0.0, -1.0))


def _line(body: Builder, a: Point, b: Point, normal: Point, width: float, grey: float) -> None:
    """A narrow strip painted from a to b."""
    middle = tuple(((np.array(a) + b) / 2).tolist())
    length = float(np.linalg.norm(np.subtract(b, a)))
    look = Surface(light=grey, bias=0.006)
    along = tuple(np.subtract(b, a).tolist())
    lean = np.array(along) / length  # the strip lies in the surface that a and b lie on
    nx, ny, nz = (np.array(normal) - lean * (lean @ np.array(normal))).tolist()
    body.plate(middle, (nx, ny, nz), along, (length, width), look)


def _side(x: float, z: float) -> float:
    """Half width of the body at x, z, below the belt."""
    xs, halves = [s[0] for s in STATIONS[::-1]], [s[1] for s in STATIONS[::-1]]
    half = float(np.interp(x, xs, halves))
    return float(np.interp(z, [-0.84, -0.43, -0.19], [half - 0.015, half, half - 0.05]))


def _gap(body: Builder, side: float, a: tuple[float, float], b: tuple[float, float]) -> None:
    """A dark gap painted on the body's side from a to b (x, z)."""
    ends = [(x, side * _side(x, z), z) for x, z in (a, b)]
    _line(body, ends[0], ends[1], (0.0, side, 0.0), 0.013, 0.06)


def _details(body: Builder) -> None:
    for side in (1.0, -1.0):
        outward, y = (0.0, side, 0.0), side * 0.833
        for x in (-0.66, -1.55, -2.18):  # doors
            _gap(body, side, (x, -0.26), (x, -0.43))
            _gap(body, side, (x, -0.43), (x, -0.84))
        for front, rear in ((-0.66, -1.55), (-1.55, -2.18)):
            _gap(body, side, (front, -0.26), (rear, -0.26))
        for x in (-1.42, -2.06):
            _line(body, (x, y, -0.80), (x - 0.13, y, -0.80), outward, 0.03, 0.07)  # handles
        body.box((-0.80, side * 0.86 - 0.07, -1.04), (-0.66, side * 0.86 + 0.07, -0.93), TRIM)
        for wheel in WHEELS_X:
            arch = Surface(surfaces.ROUND, light=0.03, size=0.70, bias=0.05)
            body.plate((wheel, y, -0.30), outward, (1.0, 0.0, 0.0), (0.70, 0.70), arch)
        body.plate(
            (0.783, side * 0.42, -0.60),
            (1.0, 0, 0),
            (0, 1.0, 0),
            (0.26, 0.10),
            Surface(light=0.8, bias=0.004),
        )
        body.plate(
            (-3.105, side * 0.50, -0.72),
            (-1.0, 0, 0),
            (0, 1.0, 0),
            (0.2, 0.14),
            Surface(light=0.25, bias=0.004),
        )
    for y in (0.56, -0.56):
        _line(body, (-0.10, y, -0.872), (-0.58, y, -0.93), (0.0, 0.0, -1.0), 0.012, 0.10)
    _line(body, (-0.60, 0.60, -0.938), (-0.60, -0.60, -0.938), (0.0, 0.0, -1.0), 0.06, 0.05)


def _wheels(body: Builder) -> list[int]:
    """The faces of the wheels, whose surface turns."""
    faces = []
    for side in (1.0, -1.0):
        for x in WHEELS_X:
            look = Surface(surfaces.WHEEL, light=0.52, dark=0.055, size=2 * WHEEL_RADIUS, bias=0.09)
            width = 2 * WHEEL_RADIUS
            body.plate(
                (x, side * 0.80, -WHEEL_RADIUS), (0, side, 0), (1.0, 0, 0), (width, width), look
            )
            faces.append(len(body.corners) - 1)
    return faces


def build(mark_scale: float = 1.0) -> tuple[Mesh, list[int]]:
    """The car, and which of its faces are wheels."""
    body = Builder(np.zeros(1))
    _hull(body)
    _cabin(body)
    down, left, right = (0.0, 0.0, 1.0), (0.0, -1.0, 0.0), (0.0, 1.0, 0.0)
    m = mark_scale
    body.stick("roof1", "quadrant", 0.26 * m, (-1.50, -0.37), down)
    body.stick("roof2", "disc", 0.24 * m, (-1.50, 0.37), down)
    body.stick("roof3", "hourglass", 0.26 * m, (-2.28, 0.37), down)
    body.stick("roof4", "quadrant", 0.26 * m, (-2.28, -0.36), down, square=True)
    body.stick("roof5", "ring", 0.26 * m, (-1.90, 0.0), down, dark_on_light=False)
    body.stick("bonnet1", "quadrant", 0.24 * m, (-0.38, 0.36), down)
    body.stick("bonnet2", "cross", 0.24 * m, (-0.38, -0.36), down)
    body.stick("fender1", "quadrant", 0.22 * m, (-0.47, -0.66), left)
    body.stick("door1", "disc", 0.22 * m, (-1.02, -0.60), left)
    body.stick("door2", "hourglass", 0.24 * m, (-1.80, -0.62), left)
    body.stick("quarter1", "quadrant", 0.22 * m, (-2.70, -0.76), left, square=True)
    if m < 1.2:  # larger ones would overlap
        body.stick("sill1", "disc", 0.18 * m, (-0.62, -0.325), left, dark_on_light=False)
        body.stick("sill2", "ring", 0.18 * m, (-1.72, -0.325), left)
    body.stick("left1", "quadrant", 0.22 * m, (-1.02, -0.60), right)
    body.stick("left2", "disc", 0.22 * m, (-1.80, -0.60), right)
    _details(body)
    wheels = _wheels(body)
    return body.build(), wheels
