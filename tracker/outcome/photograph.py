"""Where a vehicle stands in a later photograph by a test's camera that has not been moved.

Marks of the vehicle are picked in the photograph. The vehicle is taken to stand as it did before
the test: its cg as high, its roll and pitch as they were, each with a standard uncertainty. What is
left, x, y and heading, is fitted to the picks by least squares; the covariance holds picks, camera,
survey of the marks and what was taken.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import least_squares

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.core.rigid_body import rotate_vectors
from tracker.outcome.options import OUTCOME
from tracker.outcome.rest import StatedPlace

_STEP = 1e-5
"""m or rad of a difference quotient."""


def standing_pixels(camera: Camera, marks: Array, place: Array, stance: Array) -> Array:
    """Pixels (k, 2) of a vehicle's marks (k, 3) from a point of it that is at `place`: ground x, y
    and heading; `stance` (3,): height z of the point (m), roll and pitch (rad).
    """
    return np.asarray(camera.project(_standing_points(marks, place, stance)))


def _standing_points(marks: Array, place: Array, stance: Array) -> Array:
    angles = np.tile([stance[1], stance[2], place[2]], (len(marks), 1))
    at = np.array([place[0], place[1], stance[0]])
    return np.asarray(at + rotate_vectors(angles, marks)[0])


def photographed_place(
    camera: Camera, lever_arms: Array, pixels: Array, pixel_u: float, marker_u: float, stance: Array
) -> StatedPlace | None:
    """The place at rest of a vehicle's cg; None where the picks fit no place.

    Parameters
    ----------
    lever_arms : (k, 3) m, marks from the cg in vehicle axes, two or more.
    pixels : (k, 2) px, where they are picked; `pixel_u` is the sd of each coordinate.
    marker_u : m, sd of each coordinate of the marks' survey.
    stance : (3,) height of the cg (z, m), roll and pitch (rad) before the test.
    """

    def off(place: Array) -> Array:
        away = (standing_pixels(camera, lever_arms, place, stance) - pixels).ravel() / pixel_u
        return np.where(np.isfinite(away), away, 1e6)

    ray = camera.rays(pixels.mean(axis=0)[None])[0]
    if ray[2] <= 0:
        return None
    ground = camera.position + (stance[0] - camera.position[2]) / ray[2] * ray
    starts = np.linspace(-np.pi, np.pi, OUTCOME.photograph_headings, endpoint=False)
    fits = [least_squares(off, np.array([ground[0], ground[1], yaw])) for yaw in starts]
    fit = min(fits, key=lambda f: float(f.cost))
    jacobian = np.asarray(fit.jac, dtype=np.float64)
    if not np.isfinite(fit.fun).all() or np.linalg.matrix_rank(jacobian) < 3:
        return None
    spare = len(fit.fun) - 3
    scale = max(1.0, 2 * float(fit.cost) / spare) if spare > 0 else 1.0
    normal = np.linalg.inv(jacobian.T @ jacobian)
    gain = normal @ jacobian.T / pixel_u  # of x, y, heading by a pixel
    covariance = scale * normal
    points = _standing_points(lever_arms, fit.x, stance)
    _, by_point, by_camera = camera.project_with_derivatives(points)
    sensitivity = gain @ by_camera.reshape(len(gain[0]), -1)
    covariance = covariance + sensitivity @ camera.covariance @ sensitivity.T
    base = standing_pixels(camera, lever_arms, fit.x, stance)
    sds = (OUTCOME.standing_height_u, OUTCOME.standing_angle_u, OUTCOME.standing_angle_u)
    for k, sd in enumerate(sds):
        other = stance.copy()
        other[k] += _STEP
        shifted = standing_pixels(camera, lever_arms, fit.x, other)
        sensitivity = gain @ ((shifted - base) / _STEP).ravel()
        covariance = covariance + sd**2 * np.outer(sensitivity, sensitivity)
    for k in range(len(lever_arms)):
        shift = gain[:, 2 * k : 2 * k + 2] @ by_point[k]
        covariance = covariance + marker_u**2 * shift @ shift.T
    u = np.sqrt(np.diag(covariance))
    x, y, heading = (float(v) for v in fit.x)
    turned_back = (heading + np.pi) % (2 * np.pi) - np.pi
    return StatedPlace((x, float(u[0])), (y, float(u[1])), (turned_back, float(u[2])), "photograph")
