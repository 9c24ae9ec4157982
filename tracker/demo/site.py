"""The invented test site: ground, sky, fence, boards, and the surveyed targets."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numba import njit

from calibration.arrays import Array
from tracker.demo import surfaces
from tracker.demo.mesh import Builder, Mesh, Surface
from tracker.demo.options import DRAWING
from tracker.demo.raster import Single
from tracker.demo.surfaces import noise

SUN = np.array([-0.36, 0.50, -0.79]) / np.linalg.norm([-0.36, 0.50, -0.79])

STEEL = Surface(light=0.30, seam=0.2)
CONCRETE = Surface(surfaces.ROUGH, light=0.50, dark=0.14, seam=0.2, seam_width=0.02)
DARK = Surface(light=0.09)

GROUND_TARGETS = {
    "g1": (-4.85, -3.60),
    "g2": (-4.60, 3.55),
    "g3": (-1.35, -4.30),
    "g4": (-0.80, 4.20),
    "g5": (2.45, -4.05),
    "g6": (2.90, 3.10),
    "g7": (6.70, -4.45),
    "g8": (6.35, 4.05),
    "g9": (-2.75, 2.10),
    "g10": (5.10, 2.35),
}
"""x, y on the ground, m."""

BOARD_TARGETS = {
    "b1": (-8.20, -6.35, -1.10),
    "b2": (-5.15, -6.55, -3.35),
    "b3": (-1.75, -6.25, -2.55),
    "b4": (1.90, -6.70, -3.75),
    "b5": (5.35, -6.40, -3.10),
    "b6": (10.6, -6.60, -2.25),
    "s1": (-3.10, 4.45, -0.24),
    "s2": (-0.35, 4.70, -0.22),
    "s3": (2.60, 4.40, -0.25),
    "s4": (5.70, 4.60, -0.23),
}
"""Targets on upright boards behind and before the vehicles: centre, m."""


FLASH = {"overhead": (5.75, -4.95, -0.60), "side": (7.9, -6.0, -2.9)}
"""Where the flash units stand, by camera, m."""


def build(mark_scale: float = 1.0) -> Mesh:
    """Everything on the site that stands still, with the surveyed targets as its marks."""
    body = Builder()
    for name, (x, y) in GROUND_TARGETS.items():
        centre = (x, y, 0.0)
        body.mark(name, "quadrant", 0.40 * mark_scale, centre, (0, 0, -1.0), (1.0, 0.0, 0.0))
    for name, (x, y, z) in BOARD_TARGETS.items():
        size = (0.32 if y > 0 else 0.52) * mark_scale
        body.mark(name, "quadrant", size, (x, y, z), (0, 1.0, 0), (1.0, 0.0, 0.0), square=y > 0)
        side = 0.32 if y > 0 else 0.70
        if y < 0:
            backing = Surface(light=0.30, seam=0.3, seam_width=0.02)
            body.plate((x, y - 0.01, z), (0, 1.0, 0), (1.0, 0, 0), (side, side), backing)
            body.box((x - 0.04, y - 0.12, z - 0.3), (x + 0.04, y - 0.04, 0.0), STEEL, "xXY")
        else:
            body.box((x - 0.02, y - 0.05, z), (x + 0.02, y - 0.02, 0.0), DARK, "xXY")
    _flashes(body)
    _barrier(body)
    _fence(body)
    _equipment(body)
    return body.build()


def _flashes(body: Builder) -> None:
    """Flash units in dark hoods, one that looks up and one that looks at the side camera."""
    reflector = Surface(surfaces.ROUND, light=0.22, size=0.44, bias=0.004)
    x, y, z = FLASH["overhead"]
    body.box((x - 0.34, y - 0.34, z + 0.01), (x + 0.34, y + 0.34, 0.0), DARK)
    body.plate((x, y, z), (0, 0, -1.0), (1.0, 0, 0), (0.44, 0.44), reflector)
    x, y, z = FLASH["side"]
    body.box((x - 0.34, y - 0.4, z - 0.34), (x + 0.34, y - 0.01, z + 0.34), DARK)
    body.plate((x, y, z), (0, 1.0, 0), (1.0, 0, 0), (0.44, 0.44), reflector)
    body.box((x - 0.04, y - 0.25, z + 0.34), (x + 0.04, y - 0.17, 0.0), STEEL, "xXY")


def _barrier(body: Builder) -> None:
    for k in range(7):
        x = -13.0 + 4.05 * k
        ends = (x, x + 3.97)
        for y0, z0, y1, z1 in ((-8.1, 0.0, -8.2, -0.25), (-8.2, -0.25, -8.32, -0.81)):
            corners = [(ends[0], y0, z0), (ends[1], y0, z0), (ends[1], y1, z1), (ends[0], y1, z1)]
            body.face(corners, CONCRETE, (0, 1.0, -0.3))
        body.box((ends[0], -8.5, -0.81), (ends[1], -8.32, -0.2), CONCRETE, "xXz")


def _fence(body: Builder) -> None:
    for k in range(17):
        x = -24.0 + 3.0 * k
        body.box((x - 0.035, -13.0, -2.0), (x + 0.035, -12.95, 0.0), STEEL, "xXY")
    for z in (-1.95, -1.0, -0.12):
        body.box((-24.0, -12.99, z - 0.02), (24.0, -12.96, z + 0.02), STEEL, "Yz")
    for x in (-11.5, 13.5):  # light masts
        body.box((x - 0.07, -16.0, -9.5), (x + 0.07, -15.9, 0.0), STEEL, "xXY")
        body.box((x - 0.5, -16.0, -9.9), (x + 0.5, -15.8, -9.4), DARK, "xXYz")


def _equipment(body: Builder) -> None:
    shed = Surface(surfaces.RIBBED, light=0.50, dark=0.42, count=24.0)
    body.box((-12.2, -12.4, -2.6), (-7.0, -10.2, -0.35), shed, "xXY")
    body.box((-12.3, -12.5, -2.72), (-6.9, -10.1, -2.58), Surface(light=0.60), "xXYz")
    body.box((-9.0, -10.2, -2.3), (-8.1, -10.17, -0.4), Surface(light=0.22, seam=0.5), "Y")
    body.box((-11.6, -10.2, -2.1), (-10.2, -10.17, -1.2), Surface(light=0.10, seam=0.4), "Y")
    for x in (-11.0, -8.0):
        body.box((x - 0.15, -11.0, -0.35), (x + 0.15, -10.3, 0.0), DARK, "xXY")
    for x, y, z in ((7.9, -9.6, -1.1), (8.7, -9.7, -0.8), (-5.6, -5.0, -0.42)):
        body.box((x - 0.3, y - 0.25, z), (x + 0.3, y + 0.25, 0), Surface(light=0.24, seam=0.4))
    for x, y in ((-3.6, -5.15), (-3.9, 5.35), (4.3, -5.15), (11.5, -8.9), (3.4, -7.6)):
        _cone(body, x, y)


def _cone(body: Builder, x: float, y: float) -> None:
    body.box((x - 0.19, y - 0.19, -0.03), (x + 0.19, y + 0.19, 0.0), DARK, "xXyYz")
    levels = ((0.15, -0.03, 0.40), (0.105, -0.28, 0.80), (0.07, -0.46, 0.40), (0.03, -0.70, 0.4))
    for (r0, z0, grey), (r1, z1, _) in pairwise(levels):
        for i in range(8):
            a, b = np.pi / 4 * i, np.pi / 4 * (i + 1)
            corners = [
                (x + r * np.cos(t), y + r * np.sin(t), z)
                for r, t, z in ((r0, a, z0), (r0, b, z0), (r1, b, z1), (r1, a, z1))
            ]
            middle = (a + b) / 2
            body.face(corners, Surface(light=grey), (np.cos(middle), np.sin(middle), -0.1))


_WHITE_GREY = DRAWING.white_grey

_fast = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")


@_fast
def _stroke(d: float, half: float, w: float) -> float:
    """Coverage of a line of half width `half` at distance d from its middle."""
    return min(1.0, max(0.0, 0.5 + (half - abs(d)) / w))


@_fast
def _apron(x: float, y: float, w: float) -> float:
    """Reflectance of the concrete apron."""
    slab_x, slab_y = np.floor(x / 4.6 + 0.37), np.floor(y / 3.8 + 0.43)
    value = 0.43 + 0.05 * (noise(slab_x * 3.1, slab_y * 7.7, 11) - 0.5)
    value += 0.07 * (noise(x * 0.55, y * 0.8, 1) - 0.5) + 0.05 * (noise(x * 3.1, y * 3.1, 2) - 0.5)
    if w < 0.15:
        value += 0.06 * (noise(x * 17, y * 17, 3) - 0.5)
    if w < 0.04:
        value += 0.085 * (noise(x * 55, y * 55, 4) - 0.5)
    jx = (x / 4.6 + 0.37 - slab_x - 0.5) * 4.6
    jy = (y / 3.8 + 0.43 - slab_y - 0.5) * 3.8
    joint = max(_stroke(2.3 - abs(jx), 0.012, w), _stroke(1.9 - abs(jy), 0.012, w))
    value *= 1 - 0.55 * joint
    crack = abs(noise(x * 0.9 + 4, y * 0.9, 21) - 0.5)
    if noise(x * 0.31, y * 0.31, 22) > 0.72:
        value *= 1 - 0.35 * _stroke(crack, 0.004, 0.004 + w)
    for lane in (-0.71, 0.71):  # tyre rubber of earlier tests
        wander = lane + 0.10 * (noise(x * 0.2, lane, 31) - 0.5)
        rubber = np.exp(-(((y - wander) / 0.085) ** 2))
        value *= 1 - 0.30 * rubber * noise(x * 0.45, lane, 32) * (1 if x < 3.5 else 0.3)
    stain = noise(x * 0.7 + 9, y * 0.7, 41) * noise(x * 1.9, y * 1.9, 42)
    value *= 1 - 0.5 * max(0.0, stain - 0.42)
    return value


@_fast
def _paint(x: float, y: float, w: float, value: float) -> float:
    """The apron's value with the painted lines over it."""
    worn = 0.72 + 0.28 * noise(x * 13, y * 13, 51)
    guide = _stroke(y, 0.05, w) * (1 if x < -0.15 else 0)
    edge = max(_stroke(y - 2.75, 0.06, w), _stroke(y + 2.75, 0.06, w))
    tick = 0.0
    metre = x - np.floor(x + 0.5)
    if abs(y - 2.45) < 0.15 and w < 0.08:
        tick = _stroke(metre, 0.025, w)
    contact = _stroke(x, 0.04, w) if abs(abs(y) - 1.75) < 0.55 else 0.0
    cover = worn * max(max(guide, edge), max(tick, contact))
    return value + (0.72 - value) * cover


@_fast
def _ground(x: float, y: float, w: float) -> float:
    verge_shift = 0.25 * (noise(x * 0.8, y * 0.3, 61) - 0.5) if w < 0.5 else 0.0
    if y + verge_shift > -9.2:
        return _paint(x, y, w, _apron(x, y, w))
    grass = 0.20 + 0.05 * (noise(x * 0.3, y * 0.15, 62) - 0.5)
    if w < 0.4:
        grass += 0.09 * (noise(x * 2.2, y * 0.8, 63) - 0.5)
    if w < 0.1:
        grass += 0.09 * (noise(x * 11, y * 3, 64) - 0.5)
    return grass


@_fast
def _distance(azimuth: float, elevation: float) -> float:
    """Grey of what lies beyond 60 m: berm, trees, sky."""
    berm = 0.030 + 0.012 * noise(azimuth * 4.0 + 3, 0.0, 71)
    trees = (
        berm + 0.016 + 0.045 * noise(azimuth * 13, 0.0, 72) + 0.02 * noise(azimuth * 55, 0.0, 73)
    )
    if elevation < berm:
        return 0.25 + 0.04 * (noise(azimuth * 60, elevation * 300, 74) - 0.5)
    if elevation < trees:
        leaf = noise(azimuth * 160, elevation * 200, 75) + 0.6 * noise(
            azimuth * 60, elevation * 70, 76
        )
        return 0.10 + 0.075 * leaf
    cloud = noise(azimuth * 3.0, elevation * 11, 77) * 0.6 + 0.4 * noise(
        azimuth * 8, elevation * 28, 78
    )
    return 0.83 - 0.35 * min(elevation, 0.5) + 0.17 * max(0.0, cloud - 0.45)


@_fast
def shade_site(rays: Single, origin: Array, footprint: float, depth: Single, grey: Single) -> None:
    """Grey and depth of ground, berm, trees and sky along rays (3, height, width)."""
    bright = _WHITE_GREY * 0.90
    for row in range(rays.shape[1]):
        for col in range(rays.shape[2]):
            dx, dy, dz = rays[0, row, col], rays[1, row, col], rays[2, row, col]
            s = -origin[2] / dz if dz > 1e-5 else 1e9
            y = origin[1] + s * dy
            if s < 1e8 and abs(y) < 62.0:
                x = origin[0] + s * dx
                w = footprint * s * max(1.0, min(12.0, 0.3 * s * footprint / 1e-3 / 20 + 1.0))
                haze = 1 - np.exp(-s / 260.0)
                value = _ground(x, y, w)
                grey[row, col] = bright * (value + (0.62 - value) * haze)
                depth[row, col] = s
            else:
                flat = np.sqrt(dx * dx + dy * dy)
                grey[row, col] = 265.0 * _distance(dx / flat, max(0.0, -dz / flat))
                depth[row, col] = 1e8
