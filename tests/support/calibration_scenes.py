"""Cameras and surveys that several tests look through."""

import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera, Lens

SIZE = (1280, 1024)
LENS = Lens(
    np.array([[1510.0, 0, 639.5], [0, 1510, 511.5], [0, 0, 1]]),
    np.array([-0.12, 0.05, 0, 0, 0]),
    SIZE,
)
FLAT = np.array([(x, y, 0.0) for x in (-6, -3, 0, 3) for y in (-3, 0, 3)], dtype=np.float64)
TWO_PLANES = np.array(
    [(x, y, z) for x in (-5, -2, 1, 3) for y, z in ((-1, 0), (4, 0), (-4, -1.5))], dtype=np.float64
)


def looking(position: Array, target: Array, lens: Lens = LENS) -> Camera:
    """A level camera at a position that looks at a target, both in ground axes."""
    z = np.subtract(target, position)
    z = z / np.linalg.norm(z)
    down = np.array([0, 0, 1.0]) if abs(z[2]) < 0.9 else np.array([0, 1.0, 0])
    x = np.cross(down, z)
    x /= np.linalg.norm(x)
    return Camera(lens, np.stack([x, np.cross(z, x), z]), np.array(position, dtype=np.float64))


def overhead() -> Camera:
    return looking([-1.5, 0, -12], [-1.4, 0.1, 0])


def side() -> Camera:
    return looking([-1, 14, -1.6], [-1, 0, -0.5])


def names(points: Array) -> list[str]:
    return [f"g{i + 1}" for i in range(len(points))]


def same_noise(points: Array, u: float = 0.03) -> Array:
    return np.tile(u**2 * np.eye(2), (len(points), 1, 1))
