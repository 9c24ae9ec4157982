"""Compiled drawing: the plane faces of a scene along the rays of a distorted picture.

A face is a convex quadrilateral (or triangle with its last corner repeated) in ground axes with a
surface kind and ten parameters. Each sample of each pixel follows its own ray to the face's plane,
so lens distortion, perspective and motion are exact. Painted marks are formulas, softened over the
sample's footprint; their edges lie where the survey puts them to a small fraction of a pixel.
"""

# mypy: disable-error-code="no-any-return"
# Compiled functions carry no types for what they return.

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.camera import Array

Single = NDArray[np.float32]

PLAIN, GLASS, WHEEL, CHEVRON, RIBBED, ROUGH, ROUND = range(7)
DISC, QUADRANT, HOURGLASS, RING, CROSS = range(10, 15)
PATTERNS = {
    "disc": DISC,
    "quadrant": QUADRANT,
    "hourglass": HOURGLASS,
    "ring": RING,
    "cross": CROSS,
}
PARAMETERS = 10
"""Of a face's surface: light, dark and ground reflectance, size (m), a shape value, darkness of
the seam along its edges, width of the seam (m), brightness gradient across, bias (m) by which it
is drawn in front of what it lies on, number of ribs or an angle."""
LIGHT, DARK, GROUND, SIZE, SHAPE, SEAM, SEAM_WIDTH, GRADIENT, BIAS, COUNT = range(PARAMETERS)

GAIN = 290.0
"""Grey value of a white face that turns fully to the sun, over 1.04."""

_fast = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")


@_fast
def lens_rays(
    width: int, height: int, lens: Array, rotation: Array, du: float, dv: float
) -> Single:
    """Directions (height, width, 3) in ground axes, unit depth, of the points (du, dv) off the
    pixel centres. `lens` holds fx, fy, cx, cy, k1, k2, p1, p2, k3.

    Brown's distortion undone by fixed-point iteration (as OpenCV's undistortPoints does).
    """
    out = np.empty((height, width, 3), dtype=np.float32)
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = lens
    for row in range(height):
        yd = (row + dv - cy) / fy
        x, y = (du - cx) / fx, yd
        for col in range(width):
            xd = (col + du - cx) / fx
            for _ in range(9):
                r2 = x * x + y * y
                radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
                x = (xd - 2 * p1 * x * y - p2 * (r2 + 2 * x * x)) / radial
                y = (yd - p1 * (r2 + 2 * y * y) - 2 * p2 * x * y) / radial
            for i in range(3):
                out[row, col, i] = rotation[0, i] * x + rotation[1, i] * y + rotation[2, i]
    return out


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
def _edge(x: float, w: float) -> float:
    """Share of a sample of width `w` that lies inside an edge at depth `x`."""
    return min(1.0, max(0.0, 0.5 + x / w))


@njit("float64(float64, float64)", cache=True, nogil=True, error_model="numpy")
def _sign(x: float, w: float) -> float:
    return min(1.0, max(-1.0, 2 * x / w))


@_fast
def _mark(kind: int, a: float, b: float, w: float, p: Single) -> float:
    """Reflectance of a painted mark at (a, b) m from its centre."""
    light, dark, ground, radius = p[LIGHT], p[DARK], p[GROUND], p[SIZE] / 2
    r = np.sqrt(a * a + b * b)
    if kind == DISC:
        return ground + (dark - ground) * _edge(radius - r, w)
    if kind == RING:
        value = ground + (dark - ground) * _edge(radius - r, w)
        value += (light - dark) * _edge(0.68 * radius - r, w)
        return value + (dark - light) * _edge(0.34 * radius - r, w)
    if kind == CROSS:
        bar = 0.2 * radius
        inside = max(_edge(bar - abs(a), w), _edge(bar - abs(b), w))
        return ground + (dark - ground) * inside * _edge(radius - max(abs(a), abs(b)), w)
    if kind == QUADRANT:
        product = _sign(a, w) * _sign(b, w)
    else:
        c, s = np.cos(p[COUNT] / 2), np.sin(p[COUNT] / 2)
        product = _sign(a * s - b * c, w) * _sign(a * s + b * c, w)
    value = 0.5 * (light + dark) + 0.5 * (light - dark) * product
    if p[SHAPE] > 0:  # square: the plate ends where the pattern ends
        return value
    return ground + (value - ground) * _edge(radius - r, w)


@_fast
def _surface(
    kind: int, a: float, b: float, length: float, breadth: float, w: float, p: Single
) -> float:
    """Reflectance at (a, b) m from a face's first corner; negative where it has a hole."""
    if kind >= DISC:
        return _mark(kind, a - 0.5 * length, b - 0.5 * breadth, w, p)
    if kind == GLASS:
        slant = a + 0.7 * b
        streak = 0.5 + 0.5 * np.sin(5.1 * slant + 0.7)
        return p[DARK] + (p[LIGHT] - p[DARK]) * (0.45 * streak**3 + 0.4 * (1 - b / breadth))
    if kind == CHEVRON:
        period = p[SIZE]
        phase = (a + abs(b - 0.5 * breadth)) / period
        wave = abs(phase - np.floor(phase) - 0.5) - 0.25
        return p[DARK] + (p[LIGHT] - p[DARK]) * _edge(wave * period, 1.4 * w)
    if kind == RIBBED:
        wave = 0.5 + 0.5 * np.cos(2 * np.pi * p[COUNT] * a / length)
        return p[DARK] + (p[LIGHT] - p[DARK]) * wave
    if kind == ROUGH:
        speck = noise(a * 9 + 50, b * 9 + 7, 3) + 0.6 * noise(a * 31, b * 31, 4)
        return p[LIGHT] + p[DARK] * (speck - 0.8)
    if kind in (WHEEL, ROUND):
        x, y = a - 0.5 * length, b - 0.5 * breadth
        r = np.sqrt(x * x + y * y) / (0.5 * p[SIZE])
        if r > 1:
            return -1.0
        if kind == ROUND:
            return p[LIGHT]
        if r > 0.66:
            return p[DARK] * (1.0 + 0.35 * (r < 0.95) + 0.25 * (r < 0.75))
        spokes = np.cos(5 * (np.arctan2(y, x) - p[COUNT]))
        if r < 0.16:
            return p[LIGHT] * 0.8
        bright = 1.0 if (spokes > 0.1 or r > 0.56) else 0.28
        return p[LIGHT] * bright
    return p[LIGHT]


@_fast
def _dot(a: Array, b: Array) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@_fast
def _cross(a: Array, b: Array, out: Array) -> None:
    """Unit vector of the cross product."""
    out[0] = a[1] * b[2] - a[2] * b[1]
    out[1] = a[2] * b[0] - a[0] * b[2]
    out[2] = a[0] * b[1] - a[1] * b[0]
    size = np.sqrt(_dot(out, out))
    for k in range(3):
        out[k] /= size


@_fast
def _frame_of(corners: Array, face: int, origin: Array, v: Array, out: Array) -> bool:
    """Plane, axes and edges of a face as seen from `origin`; False if it shows its back.

    `out` receives: normal (3), plane offset, first axis (3), second axis (3), the origin's
    coordinates in the face (2), length, breadth, then 4 x (edge normal (2), edge offset).
    `v` (6, 3) is room to work in.
    """
    for k in range(3):
        v[0, k] = corners[face, 1, k] - corners[face, 0, k]
        v[1, k] = corners[face, 2, k] - corners[face, 0, k]
        v[5, k] = origin[k] - corners[face, 0, k]
    _cross(v[0], v[1], v[2])
    length = np.sqrt(_dot(v[0], v[0]))
    for k in range(3):
        v[3, k] = v[0, k] / length
    _cross(v[2], v[3], v[4])
    offset = -_dot(v[5], v[2])
    if offset >= 0:
        return False
    for k in range(3):
        out[k], out[4 + k], out[7 + k] = v[2, k], v[3, k], v[4, k]
    out[3] = offset
    out[10], out[11] = _dot(v[5], v[3]), _dot(v[5], v[4])
    out[12], out[13] = length, 0.0
    for i in range(4):
        for k in range(3):
            v[0, k] = corners[face, i, k] - corners[face, 0, k]
            v[1, k] = corners[face, (i + 1) % 4, k] - corners[face, 0, k]
        sa, sb = _dot(v[0], v[3]), _dot(v[0], v[4])
        da, db = _dot(v[1], v[3]) - sa, _dot(v[1], v[4]) - sb
        out[13] = max(out[13], sb)
        size = np.sqrt(da * da + db * db)
        at = 14 + 3 * i
        if size < 1e-9:  # a corner that is repeated
            out[at], out[at + 1], out[at + 2] = 0.0, 0.0, 1e9
        else:
            out[at], out[at + 1] = -db / size, da / size
            out[at + 2] = (db * sa - da * sb) / size
    return True


@_fast
def draw(
    rays: Single,
    origin: Array,
    corners: Array,
    kinds: NDArray[np.int64],
    surfaces: Single,
    boxes: NDArray[np.int64],
    sun: Array,
    footprint: float,
    depth: Single,
    grey: Single,
    first: tuple[int, int],
) -> None:
    """Draw faces into `grey` and `depth`, windows of the picture that begin at `first` (row,
    column).

    Parameters
    ----------
    rays : (height, width, 3) of one sample of every pixel, ground axes, unit depth.
    corners : (faces, 4, 3) m, ground axes, in the order of `tracker.demo.mesh.Builder.face`.
    boxes : (faces, 4) first and last row, first and last column that a face may cover.
    sun : unit vector (3,) to the sun. footprint : a pixel's width over depth, m per m.
    """
    f, room = np.empty(26), np.empty((6, 3))
    g = np.empty(26, dtype=np.float32)
    row0, col0 = first
    rows, cols = grey.shape
    for face in range(len(corners)):
        if not _frame_of(corners, face, origin, room, f):
            continue
        p = surfaces[face]
        kind = kinds[face]
        light = 0.42 + 0.62 * max(0.0, f[0] * sun[0] + f[1] * sun[1] + f[2] * sun[2])
        g[:] = f
        bias, seam, seam_width = p[BIAS], p[SEAM], p[SEAM_WIDTH]
        for row in range(max(boxes[face, 0], row0), min(boxes[face, 1] + 1, row0 + rows)):
            for col in range(max(boxes[face, 2], col0), min(boxes[face, 3] + 1, col0 + cols)):
                dx, dy, dz = rays[row, col, 0], rays[row, col, 1], rays[row, col, 2]
                facing = g[0] * dx + g[1] * dy + g[2] * dz
                if facing > -1e-6:
                    continue
                s = g[3] / facing
                if s - bias >= depth[row - row0, col - col0]:
                    continue
                a = g[10] + s * (g[4] * dx + g[5] * dy + g[6] * dz)
                b = g[11] + s * (g[7] * dx + g[8] * dy + g[9] * dz)
                inside = g[14] * a + g[15] * b + g[16]
                inside = min(inside, g[17] * a + g[18] * b + g[19])
                inside = min(inside, g[20] * a + g[21] * b + g[22])
                inside = min(inside, g[23] * a + g[24] * b + g[25])
                if inside < 0:
                    continue
                w = footprint * s
                value = _surface(kind, a, b, g[12], g[13], w, p)
                if value < 0:
                    continue
                if seam > 0:
                    value *= 1 - seam * _edge(seam_width - inside, 2 * w)
                value *= 1 + p[GRADIENT] * (b / g[13] - 0.5)
                depth[row - row0, col - col0] = s - bias
                grey[row - row0, col - col0] = GAIN * light * value


@_fast
def sighted(
    origin: Array,
    points: Array,
    normals: Array,
    corners: Array,
    kinds: NDArray[np.int64],
    surfaces: Single,
) -> NDArray[np.bool_]:
    """Whether points (n, 3) with outward normals (n, 3) face the origin with no face between."""
    seen = np.ones(len(points), dtype=np.bool_)
    f, room, d = np.empty(26), np.empty((6, 3)), np.empty(3)
    for face in range(len(corners)):
        if not _frame_of(corners, face, origin, room, f) or kinds[face] == ROUND:
            continue
        p = surfaces[face]
        for i in range(len(points)):
            for k in range(3):
                d[k] = points[i, k] - origin[k]
            if _dot(d, normals[i]) >= 0:
                seen[i] = False
            facing = _dot(f, d)
            if not seen[i] or facing > -1e-9:
                continue
            s, distance = f[3] / facing, np.sqrt(_dot(d, d))
            if s * distance - p[BIAS] > distance - 0.05:
                continue
            a = f[10] + s * (f[4] * d[0] + f[5] * d[1] + f[6] * d[2])
            b = f[11] + s * (f[7] * d[0] + f[8] * d[1] + f[9] * d[2])
            inside = 1e9
            for e in range(4):
                inside = min(inside, f[14 + 3 * e] * a + f[15 + 3 * e] * b + f[16 + 3 * e])
            wheel = kinds[face] == WHEEL
            x, y = a - 0.5 * f[12], b - 0.5 * f[13]
            if inside >= 0 and not (wheel and x * x + y * y > p[SIZE] * p[SIZE] / 4):
                seen[i] = False
    return seen
