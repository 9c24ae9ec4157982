"""Dust and glass powder thrown up at the impact: soft clouds that may veil a mark for a while."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from calibration.camera import Array, Camera
from tracker.demo.raster import Single, noise

if TYPE_CHECKING:
    from tracker.demo.scene import Scene

_fast = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")

CLOUDS = 14


def clouds(scene: Scene, time: float) -> Array:
    """Centre (3), radius (m) and opacity of each cloud (n, 5) at a time."""
    if time <= 0:
        return np.zeros((0, 5))
    rng = np.random.default_rng([scene.scenario.seed, 8])
    born = rng.uniform(0.002, 0.19, CLOUDS)
    side = rng.choice([-1.0, 1.0], CLOUDS)
    forward, up = rng.uniform(-1.5, 5.0, CLOUDS), rng.uniform(-3.0, -0.5, CLOUDS)
    speed = np.column_stack([forward, side * rng.uniform(1.0, 4.5, CLOUDS), up])
    strength = rng.uniform(0.25, 0.62, CLOUDS)
    age = np.clip(time - born, 0.0, None)
    start = np.empty((CLOUDS, 3))
    for i in range(CLOUDS):
        turn, origin = scene.place("car", float(born[i]))
        start[i] = origin + turn @ np.array([0.55, side[i] * 0.72, -0.45])
    drag = 0.10 * (1 - np.exp(-age / 0.10))
    centre = start + speed * drag[:, None]
    radius = 0.10 + 0.55 * np.sqrt(age)
    opacity = strength * np.exp(-age / 0.055) * (1 - np.exp(-age / 0.004))
    return np.asarray(np.column_stack([centre, radius, opacity])[opacity > 0.01])


def draw_dust(picture: Single, scene: Scene, camera: Camera, time: float) -> None:
    """Veil the picture by the clouds of this time."""
    for x, y, z, radius, opacity in clouds(scene, time):
        centre = np.array([[x, y, z]])
        depth = camera.in_camera_axes(centre)[0, 2]
        if depth < 1.0:
            continue
        u, v = camera.project(centre)[0]
        _veil(picture, u, v, radius * camera.lens.values[0] / depth, opacity, int(1000 * radius))


@_fast
def _veil(picture: Single, u: float, v: float, radius: float, opacity: float, seed: int) -> None:
    rows, cols = picture.shape
    for row in range(max(0, int(v - 2 * radius)), min(rows, int(v + 2 * radius))):
        for col in range(max(0, int(u - 2 * radius)), min(cols, int(u + 2 * radius))):
            a, b = (col - u) / radius, (row - v) / radius
            r2 = a * a + b * b
            if r2 > 4:
                continue
            ragged = 0.45 + 0.8 * noise(a * 2.2 + 31, b * 2.2 + 17, 5) * noise(a * 5, b * 5, 6)
            cover = min(0.95, opacity * ragged * 1.6 * np.exp(-1.4 * r2) * (1 - r2 / 4))
            picture[row, col] += cover * (np.float32(178.0) - picture[row, col])
