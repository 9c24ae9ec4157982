"""How painted marks and finished surfaces reflect light: formulas of a place on a face.

Each is softened over the sample's footprint, so that an edge lies where the survey puts it to a
small fraction of a pixel.
"""

# mypy: disable-error-code="no-any-return"
# Compiled functions carry no types for what they return.

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

PLAIN, GLASS, WHEEL, CHEVRON, RIBBED, ROUGH, ROUND = range(7)
DISC, QUADRANT, HOURGLASS, RING, CROSS = range(10, 15)
PATTERNS = {
    "disc": DISC,
    "quadrant": QUADRANT,
    "hourglass": HOURGLASS,
    "ring": RING,
    "cross": CROSS,
}


class MarkPaint(NamedTuple):
    """How a mark is painted: reflectance of light and dark parts and of the plate, radius (m),
    whether the plate is square (above 0) and the opening angle of a wedge (rad).
    """

    light: float
    dark: float
    ground: float
    radius: float
    square: float
    angle: float


class Finish(NamedTuple):
    """How a face without mark is finished: reflectance of light and dark parts, size of the
    pattern (m), length and breadth of the face (m), number of ribs or the angle of a wheel (rad).
    """

    light: float
    dark: float
    size: float
    length: float
    breadth: float
    ribs: float


_fast = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")


@njit("float64(float64, float64, int64)", cache=True, nogil=True, error_model="numpy")
def noise(x: float, y: float, seed: int) -> float:
    """Smooth random field of unit cells, 0 to 1."""
    ix, iy = int(np.floor(x)), int(np.floor(y))
    fx, fy = x - ix, y - iy
    fx, fy = fx * fx * (3 - 2 * fx), fy * fy * (3 - 2 * fy)
    total = 0.0
    for j in range(2):
        for i in range(2):
            h = ((ix + i) * 73856093) ^ ((iy + j) * 19349663) ^ (seed * 83492791)
            h = (h ^ (h >> 13)) * 1274126177 & 0x7FFFFFFF
            h = (h ^ (h >> 15)) & 0xFFFF
            total += (fx if i else 1 - fx) * (fy if j else 1 - fy) * h / 65535.0
    return total


@njit("float64(float64, float64)", cache=True, nogil=True, error_model="numpy")
def softened_edge(x: float, w: float) -> float:
    """Share of a sample of width `w` that lies inside an edge at depth `x`."""
    return min(1.0, max(0.0, 0.5 + x / w))


@njit("float64(float64, float64)", cache=True, nogil=True, error_model="numpy")
def _softened_sign(x: float, w: float) -> float:
    return min(1.0, max(-1.0, 2 * x / w))


@_fast
def mark_reflectance(
    kind: int,
    a: float,
    b: float,
    w: float,
    mark: MarkPaint,
) -> float:
    """Reflectance of a painted mark at (a, b) m from its centre, over a width of `w` m."""
    light, dark, ground, radius, square, angle = mark
    r = np.sqrt(a * a + b * b)
    if kind == DISC:
        return ground + (dark - ground) * softened_edge(radius - r, w)
    if kind == RING:
        value = ground + (dark - ground) * softened_edge(radius - r, w)
        value += (light - dark) * softened_edge(0.68 * radius - r, w)
        return value + (dark - light) * softened_edge(0.34 * radius - r, w)
    if kind == CROSS:
        bar = 0.2 * radius
        inside = max(softened_edge(bar - abs(a), w), softened_edge(bar - abs(b), w))
        return ground + (dark - ground) * inside * softened_edge(radius - max(abs(a), abs(b)), w)
    if kind == QUADRANT:
        product = _softened_sign(a, w) * _softened_sign(b, w)
    else:
        c, s = np.cos(angle / 2), np.sin(angle / 2)
        product = _softened_sign(a * s - b * c, w) * _softened_sign(a * s + b * c, w)
    value = 0.5 * (light + dark) + 0.5 * (light - dark) * product
    if square > 0:  # square: the plate ends where the pattern ends
        return value
    return ground + (value - ground) * softened_edge(radius - r, w)


@_fast
def surface_reflectance(
    kind: int,
    a: float,
    b: float,
    w: float,
    finish: Finish,
) -> float:
    """Reflectance at (a, b) m from a face's first corner, over a width of `w` m."""
    light, dark, size, length, breadth, count = finish
    if kind == GLASS:
        slant = a + 0.7 * b
        streak = 0.5 + 0.5 * np.sin(5.1 * slant + 0.7)
        return dark + (light - dark) * (0.45 * streak**3 + 0.4 * (1 - b / breadth))
    if kind == CHEVRON:
        period = size
        phase = (a + abs(b - 0.5 * breadth)) / period
        wave = abs(phase - np.floor(phase) - 0.5) - 0.25
        return dark + (light - dark) * softened_edge(wave * period, 1.4 * w)
    if kind == RIBBED:
        wave = 0.5 + 0.5 * np.cos(np.float32(2 * np.pi) * count * a / length)
        return dark + (light - dark) * wave
    if kind == ROUGH:
        speck = noise(a * 9 + 50, b * 9 + 7, 3) + 0.6 * noise(a * 31, b * 31, 4)
        return light + dark * (speck - 0.8)
    if kind in (WHEEL, ROUND):
        x, y = a - 0.5 * length, b - 0.5 * breadth
        r = np.sqrt(x * x + y * y) / (0.5 * size)
        if kind == ROUND:
            return light
        if r > 0.66:
            return dark * (1.0 + 0.35 * (r < 0.95) + 0.25 * (r < 0.75))
        spokes = np.cos(5 * (np.arctan2(y, x) - count))
        if r < 0.16:
            return light * 0.8
        bright = 1.0 if (spokes > 0.1 or r > 0.56) else 0.28
        return light * bright
    return light
