"""Compiled drawing: the plane faces of a scene along the rays of a distorted picture.

A face is a convex quadrilateral (or triangle with its last corner repeated) in ground axes with a
surface kind and ten parameters. Each sample of each pixel follows its own ray to the face's plane,
so lens distortion, perspective and motion are exact. Painted marks are formulas, softened over the
sample's footprint; their edges lie where the survey puts them to a small fraction of a pixel.
"""

# mypy: disable-error-code="no-any-return"
# Compiled functions carry no types for what they return.

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.demo.surfaces import (
    CHEVRON,
    DISC,
    PLAIN,
    ROUND,
    WHEEL,
    Finish,
    MarkPaint,
    mark_reflectance,
    softened_edge,
    surface_reflectance,
)

Single = NDArray[np.float32]
Ints = NDArray[np.int32]

PARAMETERS = 10
"""Of a face's surface: light, dark and ground reflectance, size (m), a shape value, darkness of
the seam along its edges, width of the seam (m), brightness gradient across, bias (m) by which it
is drawn in front of what it lies on, number of ribs or an angle."""
LIGHT, DARK, GROUND, SIZE, SHAPE, SEAM, SEAM_WIDTH, GRADIENT, BIAS, COUNT = range(PARAMETERS)

FACE = 28
"""Numbers of a face: normal (3), plane offset, first axis (3), second axis (3), the camera's
coordinates in the face (2), length, breadth, 4 x (edge normal (2), edge offset), squared radius,
number of ribs or an angle."""


@dataclass(frozen=True)
class Faces:
    """Those of some faces that show their front: which they are (n,), their kinds (n,), surfaces
    (n, PARAMETERS) and numbers (moments, n, FACE).
    """

    which: NDArray[np.int64]
    kinds: NDArray[np.int64]
    surfaces: Single
    numbers: Array


class RayWindow(NamedTuple):
    """Rays of a picture (samples + 1, 3, height, width), the last of each pixel's middle; first
    row and column of a window in it; a pixel's width over depth.
    """

    rays: Single
    top: int
    left: int
    footprint: float


class LitFaces(NamedTuple):
    """Faces as the sun lights them: numbers (samples + 1, n, FACE), kinds (n,), surfaces
    (n, PARAMETERS) and the grey value (n,) of a white face.
    """

    numbers: Single
    kinds: NDArray[np.int64]
    surfaces: Single
    light: Single


_fast = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")


@_fast
def lens_rays(
    width: int, height: int, lens: Array, rotation: Array, du: float, dv: float
) -> Single:
    """Directions (3, height, width) in ground axes, unit depth, of the points (du, dv) off the
    pixel centres. `lens` holds fx, fy, cx, cy, k1, k2, p1, p2, k3.

    Brown's distortion undone by fixed-point iteration (as OpenCV's undistortPoints does), each
    pixel's from its neighbour's.
    """
    out = np.empty((3, height, width), dtype=np.float32)
    fx, fy, cx, cy = lens[0], lens[1], lens[2], lens[3]
    k1, k2, p1, p2, k3 = lens[4], lens[5], lens[6], lens[7], lens[8]
    for row in range(height):
        yd = (row + dv - cy) / fy
        x, y = (du - cx) / fx, yd
        for col in range(width):
            xd = (col + du - cx) / fx
            for _ in range(4 if col else 9):
                r2 = x * x + y * y
                radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
                x = (xd - 2 * p1 * x * y - p2 * (r2 + 2 * x * x)) / radial
                y = (yd - p1 * (r2 + 2 * y * y) - 2 * p2 * x * y) / radial
            for i in range(3):
                out[i, row, col] = rotation[0, i] * x + rotation[1, i] * y + rotation[2, i]
    return out


def front_faces(
    corners: Array,
    counts: Array | Single,
    kinds: NDArray[np.int64],
    surfaces: Single,
    origin: Array,
) -> Faces:
    """What drawing needs to know of those faces that show their front to `origin` at some moment.

    Parameters
    ----------
    corners : (moments, faces, 4, 3) m, ground axes, in the order of
        `tracker.demo.mesh.Builder.face`. counts : (moments, faces), the last parameter of the
        surfaces, which may change from moment to moment.
    surfaces : (faces, PARAMETERS). origin : (3,) m.
    """
    steps = corners[:, :, 1:3] - corners[:, :, :1]
    normal = _cross(steps[:, :, 0], steps[:, :, 1])
    away = origin - corners[:, :, 0]
    front = np.flatnonzero(((normal * away).sum(axis=2) > 0).any(axis=0))
    shown = corners[:, front] - corners[:, front, :1]
    normal, away, along = normal[:, front], away[:, front], shown[:, :, 1]
    normal = normal / np.sqrt((normal**2).sum(axis=2, keepdims=True))
    length = np.sqrt((along**2).sum(axis=2))
    e1 = along / length[:, :, None]
    e2 = _cross(normal, e1)
    a, b = (shown * e1[:, :, None]).sum(axis=3), (shown * e2[:, :, None]).sum(axis=3)
    da, db = a[:, :, [1, 2, 3, 0]] - a, b[:, :, [1, 2, 3, 0]] - b
    size = np.hypot(da, db)
    repeated = size < 1e-9
    size = np.where(repeated, 1.0, size)
    numbers = np.empty((len(corners), len(front), FACE))
    numbers[:, :, 0:3], numbers[:, :, 4:7], numbers[:, :, 7:10] = normal, e1, e2
    numbers[:, :, 3] = -(away * normal).sum(axis=2)
    numbers[:, :, 10], numbers[:, :, 11] = (away * e1).sum(axis=2), (away * e2).sum(axis=2)
    numbers[:, :, 12], numbers[:, :, 13] = length, b.max(axis=2)
    numbers[:, :, 14:26:3], numbers[:, :, 15:26:3] = -db / size, da / size
    numbers[:, :, 16:26:3] = np.where(repeated, 1e9, (db * a - da * b) / size)
    round_ones = (kinds[front] == WHEEL) | (kinds[front] == ROUND)
    numbers[:, :, 26] = np.where(round_ones, surfaces[front, SIZE] ** 2 / 4.0, 1e9)
    numbers[:, :, 27] = counts[:, front]
    return Faces(front, kinds[front], surfaces[front], numbers)


def _cross(a: Array, b: Array) -> Array:
    """Cross products of vectors (..., 3); numpy's own is several times slower on few of them."""
    i, j = [1, 2, 0], [2, 0, 1]
    return np.asarray(a[..., i] * b[..., j] - a[..., j] * b[..., i])


@_fast
def cover(
    rays: Single,
    top: int,
    left: int,
    numbers: Single,
    bias: Single,
    boxes: NDArray[np.int64],
    depth: Single,
    face: Ints,
) -> None:
    """Find the nearest face along each ray of a window of the picture that begins at row `top`,
    column `left`.

    Parameters
    ----------
    rays : (3, height, width) of one sample of the picture's pixels, ground axes, unit depth.
    numbers : (faces, FACE), see `Faces`. bias : (faces,) m by which a face is drawn nearer.
    boxes : (faces, 4) first and past the last row, first and past the last column of the window
        that a face may cover.
    depth, face : (rows, cols) of the window, both made nearer where a face is seen.
    """
    for k in range(len(numbers)):
        g = numbers[k]
        n0, n1, n2, offset, near = g[0], g[1], g[2], g[3], bias[k]
        p0, p1, p2, q0, q1, q2 = g[4], g[5], g[6], g[7], g[8], g[9]
        a0, b0, half, broad = g[10], g[11], np.float32(0.5) * g[12], np.float32(0.5) * g[13]
        u0, v0, w0, u1, v1, w1 = g[14], g[15], g[16], g[17], g[18], g[19]
        u2, v2, w2, u3, v3, w3 = g[20], g[21], g[22], g[23], g[24], g[25]
        circle, number = g[26], np.int32(k)
        low, high = boxes[k, 2], boxes[k, 3]
        for row in range(boxes[k, 0], boxes[k, 1]):
            line = rays[:, top + row, left + low : left + high]
            x, y, z = line[0], line[1], line[2]
            d, f = depth[row, low:high], face[row, low:high]
            for i in range(len(d)):
                facing = n0 * x[i] + n1 * y[i] + n2 * z[i]
                s = offset / facing
                a = a0 + s * (p0 * x[i] + p1 * y[i] + p2 * z[i])
                b = b0 + s * (q0 * x[i] + q1 * y[i] + q2 * z[i])
                inside = min(u0 * a + v0 * b + w0, u1 * a + v1 * b + w1)
                inside = min(inside, min(u2 * a + v2 * b + w2, u3 * a + v3 * b + w3))
                inside = min(inside, circle - (a - half) * (a - half) - (b - broad) * (b - broad))
                t = s - near
                nearer = (facing < np.float32(-1e-6)) & (t < d[i]) & (inside >= np.float32(0))
                d[i] = t if nearer else d[i]
                f[i] = number if nearer else f[i]


@_fast
def paint(window: RayWindow, faces: LitFaces, face: Ints, picture: Single) -> None:
    """Paint the faces that `cover` found in a window's samples over `picture` (rows, cols).

    A pixel is the mean of its samples, which `face` (samples, rows, cols) numbers, -1 for none.
    Where all of them see one face that has no edges there, the ray of the pixel's middle does for
    all.
    """
    rays, top, left, footprint = window
    numbers, kinds, surfaces, light = faces
    samples = len(face)
    for row in range(face.shape[1]):
        for col in range(face.shape[2]):
            first, alike = face[0, row, col], True
            for m in range(1, samples):
                alike = alike and face[m, row, col] == first
            if alike and first < 0:
                continue
            once = alike and kinds[first] != WHEEL and kinds[first] != CHEVRON
            once = once and kinds[first] < DISC
            total, m = np.float32(0.0), samples if once else 0
            while m < samples or once:
                k = first if once else face[m, row, col]
                if k < 0:
                    total += picture[row, col]
                    m += 1
                    continue
                x = rays[m, 0, top + row, left + col]
                y = rays[m, 1, top + row, left + col]
                z = rays[m, 2, top + row, left + col]
                g = numbers[m, k]
                s = g[3] / (g[0] * x + g[1] * y + g[2] * z)
                a = g[10] + s * (g[4] * x + g[5] * y + g[6] * z)
                b = g[11] + s * (g[7] * x + g[8] * y + g[9] * z)
                w, kind = footprint * s, kinds[k]
                value, dark, size = surfaces[k, LIGHT], surfaces[k, DARK], surfaces[k, SIZE]
                if kind >= DISC:
                    ground, shape = surfaces[k, GROUND], surfaces[k, SHAPE]
                    c, d, size = a - g[12] / 2, b - g[13] / 2, size / 2
                    mark = MarkPaint(value, dark, ground, size, shape, g[27])
                    value = mark_reflectance(kind, c, d, w, mark)
                elif kind != PLAIN:
                    finish = Finish(value, dark, size, g[12], g[13], g[27])
                    value = surface_reflectance(kind, a, b, w, finish)
                seam, wide = surfaces[k, SEAM], surfaces[k, SEAM_WIDTH]
                if seam > 0:
                    inside = g[14] * a + g[15] * b + g[16]
                    for e in range(17, 26, 3):
                        inside = min(inside, g[e] * a + g[e + 1] * b + g[e + 2])
                    if once and inside < wide + 2 * w:
                        once, m = False, 0
                        continue
                    value *= 1 - seam * softened_edge(wide - inside, 2 * w)
                if surfaces[k, GRADIENT] > 0:
                    value *= 1 + surfaces[k, GRADIENT] * (b / g[13] - 0.5)
                total += light[k] * value
                m += 1
                if once:
                    break
            picture[row, col] = total if once else total / samples


def sighted_mask(origin: Array, points: Array, normals: Array, faces: Faces) -> NDArray[np.bool_]:
    """Whether points (n, 3) with outward normals (n, 3) face the origin with no face between."""
    sight = points - origin
    distance = np.linalg.norm(sight, axis=1)
    solid_mask = faces.kinds != ROUND
    f, bias = faces.numbers[0, solid_mask], faces.surfaces[solid_mask, BIAS][:, None]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        facing = f[:, :3] @ sight.T
        s = f[:, 3:4] / facing
        a = f[:, 10:11] + s * (f[:, 4:7] @ sight.T)
        b = f[:, 11:12] + s * (f[:, 7:10] @ sight.T)
        inside = f[:, 26:27] - (a - f[:, 12:13] / 2) ** 2 - (b - f[:, 13:14] / 2) ** 2
        for e in range(14, 26, 3):
            inside = np.minimum(
                inside, f[:, e : e + 1] * a + f[:, e + 1 : e + 2] * b + f[:, e + 2 : e + 3]
            )
        between = (facing <= -1e-9) & (s * distance - bias <= distance - 0.05) & (inside >= 0)
    return np.asarray(((sight * normals).sum(axis=1) < 0) & ~between.any(axis=0))
