"""What a planned camera sees of its marks while the test runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.core.rigid_body import rotate_vectors
from tracker.planning.layout import Stand, Target
from tracker.planning.motion import PlannedMotion
from tracker.planning.noise import AssumedPicture, mark_covariance
from tracker.planning.options import PLAN


@dataclass(frozen=True)
class PlannedMarkView:
    """One mark in the pictures of one camera at times (n,); NaN or False where it isn't in them."""

    target: Target
    time: Array  # (n,) s
    pixels: Array  # (n, 2)
    size_px: Array  # (n,) mean of its longer and shorter diameter, geometric
    blur: Array  # (n, 2) px that it moves during the exposure
    covariance: Array  # (n, 2, 2) px^2
    facing_mask: NDArray[np.bool_]  # (n,) whether its face turns to the camera
    visible_mask: NDArray[np.bool_]  # (n,) that, wholly in the picture, and large enough


def mark_views(
    stand: Stand, motion: PlannedMotion, times: Array, picture: AssumedPicture
) -> tuple[PlannedMarkView, ...]:
    """The vehicles' marks in the camera's pictures at these times."""
    return tuple(
        _mark_view(stand, target, *_path(motion, target, times), times, picture)
        for target in stand.markers
    )


def fixed_target_views(stand: Stand, picture: AssumedPicture) -> tuple[PlannedMarkView, ...]:
    """The fixed targets in the camera's picture, one instant each."""
    still = np.zeros((1, 3))
    return tuple(
        _mark_view(stand, t, t.at[None], still, t.normal[None], np.zeros(1), picture)
        for t in stand.fixed
    )


def _path(motion: PlannedMotion, target: Target, times: Array) -> tuple[Array, Array, Array]:
    """Place (n, 3), velocity (n, 3) and normal (n, 3) of a vehicle's mark, ground axes."""
    vehicle = target.name.vehicle
    state = motion.state(vehicle, times)
    lever_arm = np.broadcast_to(target.at, (len(times), 3))
    normal = np.broadcast_to(target.normal, (len(times), 3))
    at = state[:, :3] + rotate_vectors(state[:, 3:6], lever_arm)[0]
    return at, state[:, 6:9], rotate_vectors(state[:, 3:6], normal)[0]


def _mark_view(
    stand: Stand,
    target: Target,
    at: Array,
    velocity: Array,
    normal: Array,
    times: Array,
    picture: AssumedPicture,
) -> PlannedMarkView:
    camera = stand.camera
    pixels, by_point, _ = camera.project_with_derivatives(at)
    way = camera.position - at
    cosine = np.sum(normal * way, axis=1) / np.linalg.norm(way, axis=1)
    blur = np.einsum("nij,nj->ni", by_point, velocity) * stand.exposure
    size = target.size * _scale(by_point, normal)
    inside = in_picture_mask(camera, pixels, size / 2) & _within_lens_mask(camera, at)
    facing = cosine > PLAN.facing
    visible = inside & facing & (size >= PLAN.least_px)
    covariance = np.full((len(times), 2, 2), np.nan)
    for i in np.flatnonzero(visible):
        covariance[i] = mark_covariance(target.pattern, float(size[i]), blur[i], picture)
    return PlannedMarkView(target, times, pixels, size, blur, covariance, facing, visible)


def in_picture_mask(camera: Camera, pixels: Array, margin: Array) -> NDArray[np.bool_]:
    """Whether pixels (n, 2) lie in the picture, `margin` (n,) px from its edges."""
    width, height = camera.lens.size
    with np.errstate(invalid="ignore"):
        inside = (pixels >= margin[:, None]) & (
            pixels <= np.array([width - 1, height - 1]) - margin[:, None]
        )
    return np.asarray(inside.all(axis=1))


def _within_lens_mask(camera: Camera, at: Array) -> NDArray[np.bool_]:
    """Whether points (n, 3) lie no farther off the line of sight than the picture's corners, and a
    little: beyond, a lens' polynomials may fold back into the picture.
    """
    width, height = camera.lens.size
    corners = np.array([[0.0, 0.0], [width, 0.0], [0.0, height], [width, height]])
    reach = np.linalg.norm(camera.lens.undistort_pixels(corners), axis=1).max()
    x, y, z = camera.in_camera_axes(at).T
    return np.asarray((z > 0) & (np.hypot(x, y) < PLAN.lens_beyond * reach * z))


def _scale(by_point: Array, normal: Array) -> Array:
    """Px for a metre in the plane of the mark (n,): geometric mean of all directions."""
    helper = np.where(np.abs(normal[:, :1]) < 0.7, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    first = np.cross(normal, helper)
    first = first / np.linalg.norm(first, axis=1, keepdims=True)
    across = np.stack([first, np.cross(normal, first)], axis=2)  # (n, 3, 2)
    return np.asarray(np.sqrt(np.abs(np.linalg.det(by_point @ across))))
