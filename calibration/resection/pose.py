"""The pose of one camera from surveyed points: observations, starts and the best of the minima."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.arrays import Array
from calibration.camera import PARAMETERS, Camera
from calibration.resection.adjustment import AdjustedCamera, LensPrior, Observation, adjust
from calibration.resection.options import RESECTION, START_FOCALS


@dataclass(frozen=True)
class Sightings:
    """Surveyed points as one camera sees them."""

    names: tuple[str, ...]
    points: Array  # (n, 3) ground axes, m
    pixels: Array  # (n, 2)
    pixel_covariance: Array  # (n, 2, 2) px^2
    ground_u: Array  # (n, 3) standard uncertainty of each coordinate, m

    def __len__(self) -> int:
        return len(self.points)

    def subset(self, which: Array | list[int]) -> Sightings:
        """The sightings with these indices."""
        i = np.asarray(which, dtype=np.intp)
        return Sightings(
            tuple(self.names[k] for k in i),
            self.points[i],
            self.pixels[i],
            self.pixel_covariance[i],
            self.ground_u[i],
        )

    def covariance(self, by_point: Array) -> Array:
        """Covariance (n, 2, 2) of a sighting: the pick's, and the survey's seen through the
        derivatives by the point (n, 2, 3). This is the survey marginalised to first order.
        """
        survey = np.einsum("nij,nj,nkj->nik", by_point, self.ground_u**2, by_point)
        return np.asarray(self.pixel_covariance + survey + RESECTION.least_noise_px**2 * np.eye(2))

    def residuals(self, camera: Camera) -> tuple[Array, Array]:
        """Residuals seen - predicted in standard uncertainties, with derivatives by the camera."""
        predicted, by_point, by_camera = camera.project_with_derivatives(self.points)
        if not np.isfinite(predicted).all():
            return np.full(2 * len(self), np.nan), np.zeros((2 * len(self), PARAMETERS))
        whiten = np.linalg.inv(np.linalg.cholesky(self.covariance(by_point)))
        residuals = (whiten @ (self.pixels - predicted)[:, :, None])[:, :, 0]
        return residuals.ravel(), -(whiten @ by_camera).reshape(-1, PARAMETERS)


def sightings(
    names: Sequence[str],
    ground: Array,
    pixels: Array,
    pixel_covariance: Array,
    ground_u: float | Array = RESECTION.ground_u,
) -> Sightings:
    """Sightings from arrays of any float type.

    Parameters
    ----------
    names : n names of the points.
    ground : (n, 3) surveyed coordinates in ground axes, m.
    pixels : (n, 2) where they are seen, px; stabilised first if the picture moves.
    pixel_covariance : (n, 2, 2) px^2.
    ground_u : standard uncertainty of the surveyed coordinates, m: a scalar, or (n, 3).
    """
    points = np.asarray(ground, dtype=np.float64).reshape(-1, 3)
    n = len(points)
    return Sightings(
        tuple(names),
        points,
        np.asarray(pixels, dtype=np.float64).reshape(n, 2),
        np.asarray(pixel_covariance, dtype=np.float64).reshape(n, 2, 2),
        np.broadcast_to(np.asarray(ground_u, dtype=np.float64), (n, 3)),
    )


def position_observation(position: Array, sd: float) -> Observation:
    """The observation that the camera is at `position` (3,) within `sd` (m) on each axis."""

    def residuals(camera: Camera) -> tuple[Array, Array]:
        slopes = np.zeros((3, PARAMETERS))
        slopes[:, 3:6] = np.eye(3) / sd
        return (camera.position - position) / sd, slopes

    return residuals


def principal_sds(points: Array) -> Array:
    """Standard deviations (3,) of points (n, 3) along their principal axes, largest first."""
    return np.asarray(
        np.linalg.svd(points - points.mean(0), compute_uv=False) / np.sqrt(len(points))
    )


def closed_form_poses(seen: Sightings, prior: LensPrior) -> Iterator[tuple[float, Camera, Array]]:
    """Closed-form poses worth refining: (rms in px, camera, lens unknowns), for each focal length
    that an open lens may have. Source: cv2.solvePnPGeneric (SQPNP, IPPE for coplanar points) and
    cv2.solveP3P for three.
    """
    flat = (
        principal_sds(seen.points)[2]
        < 1e-9 + RESECTION.least_breadth * principal_sds(seen.points)[0]
    )
    methods = [cv2.SOLVEPNP_SQPNP] + ([cv2.SOLVEPNP_IPPE] if flat and len(seen) > 3 else [])
    if len(seen) == 3:
        methods = [cv2.SOLVEPNP_P3P]
    width = prior.start.size[0]
    focals = [f * width for f in START_FOCALS] if prior.log_focal is not None else [0.0]
    for focal in focals:
        z = prior.at(focal)
        lens = prior.lens(z)
        normal = lens.undistort_pixels(seen.pixels)
        for method in methods:
            for rotation, position in _closed_forms(seen.points, normal, method):
                camera = Camera(lens, rotation, position)
                for candidate in (camera, _mirror_pose(camera, seen.points)):
                    error = candidate.project(seen.points) - seen.pixels
                    rms = float(np.sqrt(np.mean(np.sum(error**2, axis=1))))
                    if np.isfinite(rms):
                        yield rms, candidate, z


def _closed_forms(points: Array, normal: Array, method: int) -> list[tuple[Array, Array]]:
    points, normal = np.ascontiguousarray(points), np.ascontiguousarray(normal)  # cv2 asks for it
    try:
        if method == cv2.SOLVEPNP_P3P:
            _, turns, shifts = cv2.solveP3P(points, normal, np.eye(3), np.zeros(5), flags=method)
        else:
            _, turns, shifts, _ = cv2.solvePnPGeneric(
                points, normal, np.eye(3), np.zeros(5), flags=method
            )
    except cv2.error:  # its way of saying that this method has no solution here
        return []
    poses = []
    for turn, shift in zip(turns, shifts, strict=True):
        rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)
        position = -rotation.T @ np.asarray(shift, dtype=np.float64).ravel()
        if np.isfinite(rotation).all() and np.isfinite(position).all():
            poses.append((rotation, position))
    return poses


def _mirror_pose(camera: Camera, points: Array) -> Camera:
    """The other minimum of a nearly flat survey: its plane mirrored about the line of sight."""
    centre = points.mean(0)
    _, _, axes = np.linalg.svd(points - centre)
    normal = camera.rotation @ axes[2]
    sight = camera.rotation @ (centre - camera.position)
    distance = np.linalg.norm(sight)
    mirrored = 2 * (normal @ sight) * sight / distance**2 - normal
    turn = _shortest_turn(normal, mirrored)
    rotation = turn @ camera.rotation
    return replace(camera, rotation=rotation, position=centre - rotation.T @ sight)


def _shortest_turn(a: Array, b: Array) -> Array:
    """The rotation (3, 3) that takes unit vector a to b by the shortest way."""
    axis = np.cross(a, b)
    sine, cosine = np.linalg.norm(axis), a @ b
    if sine < 1e-12:
        return np.eye(3)
    return np.asarray(cv2.Rodrigues(axis / sine * np.arctan2(sine, cosine))[0], dtype=np.float64)


def pose_minima(
    seen: Sightings,
    prior: LensPrior,
    extra: tuple[Observation, ...] = (),
    *,
    tries: int = RESECTION.starts,
    also: tuple[AdjustedCamera, ...] = (),
    steps: int = RESECTION.steps,
) -> list[AdjustedCamera]:
    """The distinct minima of the pose, best first: refined from the closed-form starts with the
    least rms, and from the poses of earlier fits.
    """
    begin = [(fit.camera, fit.lens_unknowns) for fit in also]
    for _, camera, z in sorted(closed_form_poses(seen, prior), key=lambda one: one[0]):
        if len(begin) == tries + len(also):
            break
        if not any(_is_alike(camera, other) for other, _ in begin[len(also) :]):
            begin.append((camera, z))
    fits: list[AdjustedCamera] = []
    for camera, z in begin:
        fit = adjust(
            camera,
            prior,
            (seen.residuals, *extra),
            centre=seen.points.mean(0),
            z=z,
            steps=steps,
        )
        if np.isfinite(fit.cost) and not any(_is_same(fit, other) for other in fits):
            fits.append(fit)
    return sorted(fits, key=lambda fit: fit.cost)


def _is_alike(a: Camera, b: Camera) -> bool:
    """Whether two starts lead to the same minimum."""
    distance = np.linalg.norm(a.position - b.position)
    focal = abs(np.log(a.lens.matrix[0, 0] / b.lens.matrix[0, 0]))
    return bool(
        np.linalg.norm(a.rotation - b.rotation) < RESECTION.same_turn
        and distance < RESECTION.same_distance * (1 + np.linalg.norm(a.position))
        and focal < RESECTION.same_focal
    )


def _is_same(a: AdjustedCamera, b: AdjustedCamera) -> bool:
    turn = np.linalg.norm(a.camera.rotation - b.camera.rotation)
    distance = np.linalg.norm(a.camera.position - b.camera.position)
    return bool(
        turn < RESECTION.same_minimum_turn
        and distance < RESECTION.same_distance * (1 + np.linalg.norm(a.camera.position))
        and abs(a.cost - b.cost) < RESECTION.same_minimum_cost * (1 + a.cost)
    )


def misfit(fit: AdjustedCamera, seen: Sightings) -> Array:
    """Squared distance (n,) of each sighting from where the fitted camera expects it, in
    sightings' and camera's covariance: chi-square with 2 degrees of freedom for a sighting that
    took no part in the fit. Infinite where the camera can't see the point.
    """
    predicted, by_point, by_camera = fit.camera.project_with_derivatives(seen.points)
    visible = np.isfinite(predicted).all(axis=1)
    result = np.full(len(seen), np.inf)
    covariance = seen.covariance(by_point) + by_camera @ fit.camera.covariance @ np.swapaxes(
        by_camera, 1, 2
    )
    error = (seen.pixels - predicted)[visible]
    result[visible] = np.einsum("ni,nij,nj->n", error, np.linalg.inv(covariance[visible]), error)
    return result
