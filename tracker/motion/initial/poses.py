"""Start poses of one vehicle at some instants, each from the marks seen at that time.

Each pose is a robust fit (Levenberg-Marquardt, Cauchy loss). The first tries some headings, the
others go on from their neighbour. A weak prior covers what one camera can't show: the vehicle
stands about level and about as high as vehicles do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera
from calibration.errors import MotionError
from tracker.core.rigid_body import rotate_vectors, rotation
from tracker.motion.evidence import VehicleGeometry
from tracker.motion.model.unknowns import CameraData
from tracker.motion.options import START

_GUESS = np.array([0.0, 0.0, START.guess_z])
_GUESS_U = np.array([START.guess_u_x, START.guess_u_y, START.guess_u_z])
_NEIGHBOUR_U = np.array(
    [START.neighbour_u_place] * 3 + [START.neighbour_u_tilt] * 2 + [START.neighbour_u_yaw]
)
_SMALL = 1e-9
"""Cost and damping that count as none."""


@dataclass(frozen=True)
class MarkView:
    """One camera's marks of a vehicle at an instant."""

    camera: Camera
    pixels: Array  # (k, 2)
    lever_arms: Array  # (k, 3) of the marks, from the cg


@dataclass(frozen=True)
class Poses:
    """Start poses (n, 6) at times (n,) and how many marks each rests on (n,)."""

    time: Array
    pose: Array
    marks: NDArray[np.int64]


def rough_place(vehicle: VehicleGeometry) -> tuple[Array, Array]:
    """Rough place of the cg (3,) and its sd (3,)."""
    known, known_u = np.isfinite(vehicle.near), np.isfinite(vehicle.near_u)
    return np.where(known, vehicle.near, _GUESS), np.where(known_u, vehicle.near_u, _GUESS_U)


def instants(cameras: tuple[CameraData, ...], b: int, count: int) -> Array:
    """Up to `count` times (n,) spread over what the cameras see of a body."""
    seen = [
        cam.seconds[cam.measured_mask[:, cam.body == b].any(axis=1)] + cam.zero
        for cam in cameras
        if (cam.body == b).any()
    ]
    every = np.sort(np.concatenate([s for s in seen if len(s)]))
    step = max(1, len(every) // count)
    return np.unique(every[::step])


def views(
    cameras: tuple[CameraData, ...], b: int, lever_arms: Array, time: float
) -> list[MarkView]:
    """Each camera's frame nearest to a time, where it is near enough.

    Parameters
    ----------
    cameras : prepared cameras, on one clock.
    b : index of the vehicle, as in `CameraData.body`.
    lever_arms : (markers, 3) from the cg, vehicle axes, m; marks of NaN are left out.
    time : s on that clock.
    """
    out = []
    for cam in cameras:
        columns = np.flatnonzero(cam.body == b)
        if not len(columns) or not len(cam.seconds):
            continue
        clock = cam.seconds + cam.zero
        f = int(np.argmin(np.abs(clock - time)))
        interval = float(np.median(np.diff(clock))) if len(clock) > 1 else np.inf
        known = np.isfinite(lever_arms[cam.marker[columns]]).all(axis=1)
        columns = columns[cam.measured_mask[f, columns] & known]
        if abs(clock[f] - time) <= START.nearest_frame * interval and len(columns):
            out.append(MarkView(cam.camera, cam.place[f, columns], lever_arms[cam.marker[columns]]))
    return out


def start_poses(
    cameras: tuple[CameraData, ...],
    b: int,
    lever_arms: Array,
    vehicle: VehicleGeometry,
    where: str,
    count: int = START.instants,
) -> Poses:
    """Start poses of a vehicle over the film.

    Parameters
    ----------
    cameras : prepared cameras, on one clock.
    b : index of the vehicle, as in `CameraData.body`.
    lever_arms : (markers, 3) from the cg, vehicle axes, m; NaN where not known.
    vehicle : its survey, and what is roughly known of its place and heading.
    where : place in the record that an error names.
    count : most poses.

    Raises MotionError where no mark of the vehicle with a known place was measured.
    """
    times = instants(cameras, b, count)
    seen = [views(cameras, b, lever_arms, float(t)) for t in times]
    marks = np.array([sum(len(s.pixels) for s in group) for group in seen])
    if not marks.any():
        raise MotionError(
            "no marker of this vehicle was measured at a known place",
            where=where,
            remedy="pick at least one surveyed marker of it in one film",
        )
    times, seen, marks = times[marks > 0], [s for s in seen if s], marks[marks > 0]
    first = int(np.argmax(marks))
    pose = np.empty((len(times), 6))
    pose[first] = first_pose(seen[first], vehicle)
    for order in (range(first + 1, len(times)), range(first - 1, -1, -1)):
        for k in order:
            near = pose[k - 1] if k > first else pose[k + 1]
            pose[k], _ = fit_pose(seen[k], near, near, _NEIGHBOUR_U)
    return Poses(times, pose, marks)


def first_pose(seen: list[MarkView], vehicle: VehicleGeometry) -> Array:
    """The pose (6,) that fits best, whichever way the vehicle faces."""
    guess, guess_u = rough_place(vehicle)
    if vehicle.heading is None:
        headings, heading_u = (
            np.arange(START.headings) * 2 * np.pi / START.headings,
            START.heading_u,
        )
    else:
        headings, heading_u = np.array([vehicle.heading]), START.known_heading_u
    best: tuple[float, Array] | None = None
    for yaw in headings:
        start = np.concatenate([_sighted_place(seen, float(yaw), guess, guess_u), [0.0, 0.0, yaw]])
        prior_mean = np.concatenate([guess, [0.0, 0.0, yaw]])
        u = np.concatenate([guess_u, [START.level_u, START.level_u, heading_u]])
        pose, cost = fit_pose(seen, start, prior_mean, u)
        # among headings that fit alike, the one nearest to the direction of x
        cost += START.heading_cost * (1 - np.cos(pose[5]))
        if best is None or cost < best[0]:
            best = cost, pose
    assert best is not None
    pose = best[1]
    pose[5] = np.arctan2(np.sin(pose[5]), np.cos(pose[5]))
    return pose


def _sighted_place(seen: list[MarkView], yaw: float, guess: Array, guess_u: Array) -> Array:
    """Place (3,) of the cg of a level vehicle of this heading, nearest to all lines of sight."""
    turn = rotation(np.array([0.0, 0.0, yaw]))
    matrix, side = np.diag(START.guess_weight / guess_u**2), START.guess_weight * guess / guess_u**2
    for s in seen:
        rays = s.camera.rays(s.pixels)
        across = np.eye(3) - rays[:, :, None] * rays[:, None, :]
        matrix = matrix + across.sum(axis=0)
        reach = s.camera.position - s.lever_arms @ turn.T
        side = side + (across @ reach[:, :, None]).sum(axis=0)[:, 0]
    return np.asarray(np.linalg.solve(matrix, side))


def fit_pose(
    seen: list[MarkView], start: Array, prior_mean: Array, u: Array, steps: int = START.steps
) -> tuple[Array, float]:
    """Pose (6,) and its cost, by a robust fit to marks at one instant.

    Parameters
    ----------
    seen : the cameras' views of the vehicle.
    start : (6,) pose to start from: place of the cg, ground axes, m; roll, pitch, yaw, rad.
    prior_mean, u : (6,) prior of the pose, likewise, and its sd.
    steps : most steps.
    """
    pose, damping = start.copy(), START.damping
    cost, matrix, side = _normal(seen, pose, prior_mean, u)
    for _ in range(steps):
        damped = matrix + damping * np.diag(np.diag(matrix))
        change = np.linalg.solve(damped, side)
        new = _normal(seen, pose + change, prior_mean, u)
        if new[0] < cost:
            done = cost - new[0] < START.least_gain * cost + _SMALL
            pose, (cost, matrix, side) = pose + change, new
            damping = max(damping * START.damping_fall, _SMALL)
            if done:
                break
        else:
            damping = max(damping * START.damping_rise, START.damping_raised)
            if damping > START.damping_most:
                break
    return pose, cost


def _normal(
    seen: list[MarkView], pose: Array, prior_mean: Array, u: Array
) -> tuple[float, Array, Array]:
    away = (prior_mean - pose) / u
    cost = float(away @ away)
    matrix, side = np.diag(1 / u**2), away / u
    for s in seen:
        offset, by_angles = rotate_vectors(
            np.broadcast_to(pose[3:], (len(s.lever_arms), 3)), s.lever_arms
        )
        pixels, by_point, _ = s.camera.project_with_derivatives(pose[:3] + offset)
        r = (s.pixels - pixels) / START.tolerance_px
        jac = np.concatenate([by_point, by_point @ by_angles], axis=2) / START.tolerance_px
        bad = ~np.isfinite(r).all(axis=1)
        r[bad], jac[bad] = 0.0, 0.0
        square = np.sum(r * r, axis=1)
        cost += float(np.sum(np.log1p(square))) + START.lost_mark_cost * int(bad.sum())
        w = 1 / (1 + square)
        weighted = jac * w[:, None, None]
        matrix = matrix + np.einsum("kei,kej->ij", weighted, jac)
        side = side + np.einsum("kei,ke->i", weighted, r)
    return cost, matrix, side


def place_unsurveyed(
    cameras: tuple[CameraData, ...], b: int, lever_arms: Array, start: Poses
) -> Array:
    """Lever arms (markers, 3), those of unsurveyed markers where their lines of sight pass nearest
    while the vehicle moves; NaN for a marker that no camera saw.

    Parameters
    ----------
    cameras : prepared cameras, on one clock.
    b : index of the vehicle, as in `CameraData.body`.
    lever_arms : (markers, 3) from the cg, vehicle axes, m; NaN where not known.
    start : start poses of the vehicle.
    """
    lever_arms = lever_arms.copy()
    missing = ~np.isfinite(lever_arms).all(axis=1)
    middle = np.nanmean(lever_arms, axis=0) if not missing.all() else np.zeros(3)
    for m in np.flatnonzero(missing):
        matrix, side, seen = np.eye(3) * START.place_weight, middle * START.place_weight, 0
        for cam in cameras:
            for column in np.flatnonzero((cam.body == b) & (cam.marker == m)):
                rows = np.flatnonzero(cam.measured_mask[:, column])
                rows = rows[:: max(1, len(rows) // START.place_frames)]
                clock = cam.seconds[rows] + cam.zero
                pose = np.stack([np.interp(clock, start.time, p) for p in start.pose.T], axis=1)
                rays = cam.camera.rays(cam.place[rows, column])
                across = np.eye(3) - rays[:, :, None] * rays[:, None, :]
                turn = rotation(pose[:, 3:])
                matrix = matrix + (turn.mT @ across @ turn).sum(axis=0)
                reach = (cam.camera.position - pose[:, :3])[:, :, None]
                side = side + (turn.mT @ across @ reach).sum(axis=0)[:, 0]
                seen += len(rows)
        if seen:
            lever_arms[m] = np.linalg.solve(matrix, side)
    return lever_arms


def assumed_places(
    cameras: tuple[CameraData, ...], b: int, markers: int, vehicle: VehicleGeometry
) -> Array:
    """Lever arms (markers, 3) of a vehicle none of whose markers was surveyed, from their middle.

    Each is where its first line of sight meets the plane through the guessed place that faces the
    camera best; the vehicle faces its rough heading.

    Parameters
    ----------
    cameras : prepared cameras.
    b : index of the vehicle, as in `CameraData.body`.
    markers : how many it has.
    vehicle : its rough place and heading.
    """
    guess, _ = rough_place(vehicle)
    points = np.full((markers, 3), np.nan)
    for cam in cameras:
        columns = np.flatnonzero(cam.body == b)
        if not len(columns):
            continue
        f = int(np.argmax(cam.measured_mask[:, columns].sum(axis=1)))
        columns = columns[cam.measured_mask[f, columns]]
        rays = cam.camera.rays(cam.place[f, columns])
        normal = np.argmax(np.abs(rays.mean(axis=0)))
        reach = (guess - cam.camera.position)[normal] / rays[:, normal]
        points[cam.marker[columns]] = cam.camera.position + reach[:, None] * rays
        break
    turn = rotation(np.array([0.0, 0.0, vehicle.heading or 0.0]))
    return np.asarray((points - np.nanmean(points, axis=0)) @ turn)
