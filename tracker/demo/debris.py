"""What the impact throws into the air: tumbling pieces of trim, clouds of dust and glass powder."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from calibration.arrays import Array
from calibration.camera import Camera
from calibration.constants import GRAVITY
from tracker.demo.mesh import Surface
from tracker.demo.options import DRAWING
from tracker.demo.physics import History
from tracker.demo.raster import LIGHT, Single
from tracker.demo.surfaces import noise

BORN = (0.002, 0.17)  # s

_fast = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")


@dataclass(frozen=True)
class Thrown:
    """Pieces or clouds at their birth; arrays (n, ...), ground axes, SI."""

    born: Array
    start: Array
    speed: Array
    spin: Array  # (n, 3) rad/s; pieces only
    size: Array  # (n, 2) m; pieces only
    strength: Array  # grey of a piece, opacity of a cloud


def throw(history: History, number: int, seed: int) -> Thrown:
    """Things leaving the car's crushed front while the cushion works."""
    rng = np.random.default_rng([seed, 9, number])
    born = rng.uniform(*BORN, number)
    side = rng.choice([-1.0, 1.0], number)
    state = history.state("car", born)
    # From the cg: 1.65 m forward, to one side, below the bonnet; attitude hardly matters here.
    across, height = side * rng.uniform(0.35, 0.85, number), rng.uniform(-0.3, 0.2, number)
    place = np.column_stack([np.full(number, 1.62), across, height])
    speed = np.column_stack(
        [
            state[:, 6] * rng.uniform(0.05, 0.75, number),
            side * rng.uniform(0.4, 5.0, number),
            -rng.uniform(0.3, 4.0, number),
        ]
    )
    return Thrown(
        born,
        state[:, :3] + place,
        speed,
        rng.normal(0.0, 13.0, (number, 3)),
        rng.uniform(0.03, 0.12, (number, 2)),
        rng.uniform(0.05, 0.7, number),
    )


def pieces_at(thrown: Thrown, time: float, born_by: float | None = None) -> tuple[Array, Single]:
    """Corners (faces, 4, 3) m in ground axes and surfaces of the pieces in the air or fallen.

    Each piece shows two faces, its front and its back. `born_by`, default `time`, is when pieces
    must have been born to count; the younger ones among them are where they were born.
    """
    i = np.flatnonzero(thrown.born < (time if born_by is None else born_by))
    age = np.clip(time - thrown.born[i], 0.0, None)
    at, flown = _flight(thrown.start[i], thrown.speed[i], age)
    plates = _plates(at, flown[:, None] * thrown.spin[i], thrown.size[i])
    corners = np.stack([plates, plates[:, [1, 0, 3, 2]]], axis=1).reshape(-1, 4, 3)
    surfaces = np.tile(np.array(Surface().row, dtype=np.float32), (2 * len(i), 1))
    surfaces[:, LIGHT] = np.repeat(thrown.strength[i], 2)
    return corners, surfaces


def _flight(start: Array, speed: Array, age: Array) -> tuple[Array, Array]:
    """Places (n, 3) after a free flight with bounces, and the times (n,) spent in flight."""
    z, up, flown = start[:, 2].copy(), speed[:, 2].copy(), np.zeros_like(age)
    aloft = np.ones(len(age), dtype=bool)
    while aloft.any():
        fall = (-up + np.sqrt(up * up - 2 * GRAVITY * np.minimum(z, 0.0))) / GRAVITY
        t = np.minimum(age - flown, fall)
        last = aloft & ((flown + fall >= age) | (up * up < 0.01))
        z = np.where(last, z + up * t + GRAVITY * t * t / 2, z)
        flown = np.where(last, flown + t, flown)
        aloft &= ~last
        z = np.where(aloft, 0.0, z)
        up = np.where(aloft, -DRAWING.restitution * (up + GRAVITY * fall), up)
        flown = np.where(aloft, flown + fall, flown)
    place = start + speed * flown[:, None]
    place[:, 2] = np.minimum(z, -0.005)
    return place, flown


def _plates(at: Array, turn: Array, size: Array) -> Array:
    """Corners (n, 4, 3) of plates turned about the three axes one after another."""
    (ca, cb, cc), (sa, sb, sc) = np.cos(turn).T, np.sin(turn).T
    first = np.column_stack([cb * cc, sc * cb, -sb]) * size[:, :1] / 2
    across = [sa * sb * cc - ca * sc, sa * sb * sc + ca * cc, sa * cb]
    second = np.column_stack(across) * size[:, 1:] / 2
    corners = [-first - second, first - second, first + second, -first + second]
    return np.asarray(at[:, None] + np.stack(corners, axis=1))


def clouds_at(thrown: Thrown, time: float) -> Array:
    """Centre (3), radius (m) and opacity of each cloud (n, 5) at a time."""
    age = np.clip(time - thrown.born, 0.0, None)[:, None]
    centre = thrown.start + 0.10 * (1 - np.exp(-age / 0.10)) * thrown.speed
    radius = 0.12 + 0.75 * np.sqrt(age)
    opacity = thrown.strength[:, None] * np.exp(-age / 0.06) * (1 - np.exp(-age / 0.004))
    return np.asarray(np.hstack([centre, radius, opacity])[opacity[:, 0] > 0.01])


def draw_clouds(picture: Single, clouds: Array, camera: Camera) -> None:
    """Draw clouds (n, 5), as `clouds_at` gives them, over the picture."""
    if not len(clouds):
        return
    depth = camera.in_camera_axes(clouds[:, :3])[:, 2]
    with np.errstate(invalid="ignore"):
        pixels = camera.project(clouds[:, :3])
    for (u, v), d, (radius, opacity) in zip(pixels, depth, clouds[:, 3:], strict=True):
        if d > 1.0:
            _draw_cloud(picture, u, v, radius * camera.lens.values[0] / d, opacity)


@_fast
def _draw_cloud(picture: Single, u: float, v: float, radius: float, opacity: float) -> None:
    rows, cols = picture.shape
    for row in range(max(0, int(v - 2 * radius)), min(rows, int(v + 2 * radius))):
        for col in range(max(0, int(u - 2 * radius)), min(cols, int(u + 2 * radius))):
            a, b = (col - u) / radius, (row - v) / radius
            r2 = a * a + b * b
            if r2 > 4:
                continue
            if opacity * 1.9 * (4 - r2) * np.exp(-1.4 * r2) < 0.008:  # a third of a grey value
                continue
            ragged = 0.45 + 0.8 * noise(a * 2.2 + 31, b * 2.2 + 17, 5) * noise(a * 5, b * 5, 6)
            cover = min(0.95, opacity * ragged * 1.6 * np.exp(-1.4 * r2) * (1 - r2 / 4))
            picture[row, col] += cover * (np.float32(178.0) - picture[row, col])
