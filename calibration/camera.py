"""A calibrated camera: ground coordinates to pixels, with every derivative an estimator needs.

Camera axes are OpenCV's: x right, y down in the picture, z along the line of sight. Pixel
coordinates are (u, v) with the centre of the top-left pixel at (0, 0). Lens distortion is
Brown's model in OpenCV's order k1 k2 p1 p2 k3.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from calibration.arrays import Array

POSE = slice(0, 6)
LENS = slice(6, 15)
PARAMETERS = 15
"""Camera parameters, in this order: a small turn of the camera about its own axes (rad, 3),
its position in ground axes (m, 3), fx, fy, cx, cy (px), k1, k2, p1, p2, k3."""
_NEWTON_STEPS = 12
"""Steps that undo any distortion of an ordinary lens to the last digit (quadratic convergence)."""


@dataclass(frozen=True)
class Lens:
    """Focal lengths, principal point and distortion, with the size of the picture they hold for."""

    matrix: Array  # (3, 3), px
    distortion: Array  # (5,), OpenCV order
    size: tuple[int, int]  # width, height in px
    covariance: Array = field(default_factory=lambda: np.zeros((9, 9)))  # of `values`

    @property
    def values(self) -> Array:
        """Fx, fy, cx, cy, k1, k2, p1, p2, k3 as one vector (9,)."""
        m = self.matrix
        return np.array([m[0, 0], m[1, 1], m[0, 2], m[1, 2], *self.distortion])

    def with_values(self, values: Array, covariance: Array | None = None) -> Lens:
        """The lens with these nine values (order of `values`)."""
        fx, fy, cx, cy = values[:4]
        return replace(
            self,
            matrix=np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]]),
            distortion=np.asarray(values[4:9], dtype=np.float64).copy(),
            covariance=self.covariance if covariance is None else covariance,
        )

    def distort_points(self, normal: Array) -> tuple[Array, Array, Array]:
        """Pixels (n, 2) of normalised image points (n, 2), the derivatives by the point
        (n, 2, 2) and by the nine `values` (n, 2, 9).

        Source: Brown's distortion in OpenCV's form (calib3d reference), differentiated by hand.
        """
        fx, fy, cx, cy, k1, k2, p1, p2, k3 = self.values
        x, y = normal.T
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = k1 + r2 * (2 * k2 + r2 * 3 * k3)  # d radial / d r2
        xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        cross = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y
        by_point = np.empty((len(normal), 2, 2))
        by_point[:, 0, 0] = fx * (radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x)
        by_point[:, 0, 1] = fx * cross
        by_point[:, 1, 0] = fy * cross
        by_point[:, 1, 1] = fy * (radial + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x)
        by_lens = np.zeros((len(normal), 2, 9))
        by_lens[:, 0, 0], by_lens[:, 1, 1] = xd, yd
        by_lens[:, 0, 2] = by_lens[:, 1, 3] = 1.0
        by_lens[:, 0, 4:] = fx * np.stack(
            [x * r2, x * r2**2, 2 * x * y, r2 + 2 * x * x, x * r2**3], axis=1
        )
        by_lens[:, 1, 4:] = fy * np.stack(
            [y * r2, y * r2**2, r2 + 2 * y * y, 2 * x * y, y * r2**3], axis=1
        )
        return np.column_stack([fx * xd + cx, fy * yd + cy]), by_point, by_lens

    def undistort_pixels(self, pixels: Array) -> Array:
        """Normalised image coordinates (n, 2) of pixels (n, 2), by Newton's method."""
        fx, fy, cx, cy = self.values[:4]
        normal = (np.asarray(pixels, dtype=np.float64) - [cx, cy]) / [fx, fy]
        for _ in range(_NEWTON_STEPS):
            seen, by_point, _ = self.distort_points(normal)
            normal = normal + np.linalg.solve(by_point, (pixels - seen)[:, :, None])[:, :, 0]
        return np.asarray(normal)


@dataclass(frozen=True)
class Camera:
    """A lens in a place. `covariance` is that of the 15 `PARAMETERS` (posterior of calibration)."""

    lens: Lens
    rotation: Array  # (3, 3), camera axes from ground axes
    position: Array  # (3,), ground axes, m
    covariance: Array = field(default_factory=lambda: np.zeros((PARAMETERS, PARAMETERS)))

    def with_change(self, change: Array) -> Camera:
        """The camera after a small change of its 15 `PARAMETERS`; the covariance is kept."""
        turn, _ = cv2.Rodrigues(np.asarray(change[:3], dtype=np.float64))
        return replace(
            self,
            lens=self.lens.with_values(self.lens.values + change[LENS]),
            rotation=np.asarray(turn, dtype=np.float64) @ self.rotation,
            position=self.position + change[3:6],
        )

    def in_camera_axes(self, points: Array) -> Array:
        """Ground points (n, 3) in camera axes (n, 3), m. Behind the camera, z is negative."""
        return (points - self.position) @ self.rotation.T

    def project(self, points: Array) -> Array:
        """Pixels (n, 2) of ground points (n, 3); NaN for points behind the camera."""
        return self.lens.distort_points(_normal(self.in_camera_axes(points)))[0]

    def rays(self, pixels: Array) -> Array:
        """Unit directions (n, 3) in ground axes along which pixels (n, 2) look."""
        normal = self.lens.undistort_pixels(pixels)
        rays = np.column_stack([normal, np.ones(len(normal))]) @ self.rotation
        return np.asarray(rays / np.linalg.norm(rays, axis=1, keepdims=True))

    def project_with_derivatives(self, points: Array) -> tuple[Array, Array, Array]:
        """Pixels (n, 2), their derivatives by the ground point (n, 2, 3) and by the
        `PARAMETERS` of the camera (n, 2, 15). NaN for points behind the camera.
        """
        p = self.in_camera_axes(points)
        pixels, by_normal, by_lens = self.lens.distort_points(_normal(p))
        x, y, z = p.T
        by_p = np.empty((len(p), 2, 3))
        by_p[:, :, :2] = by_normal / z[:, None, None]
        by_p[:, :, 2] = -(by_p[:, :, 0] * (x / z)[:, None] + by_p[:, :, 1] * (y / z)[:, None])
        by_point = (by_p.reshape(-1, 3) @ self.rotation).reshape(-1, 2, 3)
        by_parameters = np.empty((len(p), 2, PARAMETERS))
        a, b, c = np.moveaxis(by_p, 2, 0)
        x, y, z = x[:, None], y[:, None], z[:, None]
        by_parameters[:, :, 0] = c * y - b * z  # d p / d turn = -[p]x
        by_parameters[:, :, 1] = a * z - c * x
        by_parameters[:, :, 2] = b * x - a * y
        by_parameters[:, :, 3:6] = -by_point
        by_parameters[:, :, LENS] = by_lens
        return pixels, by_point, by_parameters


def _normal(p: Array) -> Array:
    """Normalised image points (n, 2) of points in camera axes (n, 3); NaN behind the camera."""
    z = np.where(p[:, 2] > 0, p[:, 2], np.nan)
    return np.column_stack([p[:, 0] / z, p[:, 1] / z])
