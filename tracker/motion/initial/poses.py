"""Where to start from: poses of one vehicle at some instants, each from the marks then seen.

Each pose is a robust Gauss-Newton fit; the first tries twelve headings, the others go on from their
neighbour. What one camera can't tell is held by weak guesses: the vehicle stands about level and
about as high as vehicles do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera
from calibration.errors import MotionError
from tracker.core.rigid_body import rotation, turned
from tracker.motion.evidence import VehicleGeometry
from tracker.motion.model.unknowns import CameraData

HEADINGS = 12
LEVEL_U = 0.1  # rad
GUESS = np.array([0.0, 0.0, -0.6])
GUESS_U = np.array([100.0, 10.0, 2.0])
TOLERANCE_PX = 2.0
"""Residuals well beyond this lose their pull on a start value (Cauchy loss)."""
ENOUGH = 1e-3
"""Share of the cost; a fit that gains less is done."""
HELD_U = np.array([3.0, 3.0, 3.0, 0.2, 0.2, 0.4])
"""How far a pose may be from its neighbour's, m and rad."""


@dataclass(frozen=True)
class View:
    """What one camera sees of a vehicle at an instant."""

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
    known_mask = np.isfinite(vehicle.near)
    told_u = np.isfinite(vehicle.near_u)
    return (
        np.where(known_mask, vehicle.near, GUESS),
        np.where(told_u, vehicle.near_u, GUESS_U),
    )


def instants(cameras: tuple[CameraData, ...], b: int, count: int) -> Array:
    """Up to `count` times (n,) spread over what the eyes see of a body."""
    seen = [
        cam.seconds[cam.measured[:, cam.body == b].any(axis=1)] + cam.zero
        for cam in cameras
        if (cam.body == b).any()
    ]
    every = np.sort(np.concatenate([s for s in seen if len(s)]))
    step = max(1, len(every) // count)
    return np.unique(every[::step])


def views(cameras: tuple[CameraData, ...], b: int, lever_arms: Array, time: float) -> list[View]:
    """Each eye's frame nearest to a time, where it is near enough."""
    out = []
    for cam in cameras:
        columns = np.flatnonzero(cam.body == b)
        if not len(columns) or not len(cam.seconds):
            continue
        clock = cam.seconds + cam.zero
        f = int(np.argmin(np.abs(clock - time)))
        interval = float(np.median(np.diff(clock))) if len(clock) > 1 else np.inf
        known = np.isfinite(lever_arms[cam.marker[columns]]).all(axis=1)
        columns = columns[cam.measured[f, columns] & known]
        if abs(clock[f] - time) <= 0.75 * interval and len(columns):
            out.append(View(cam.camera, cam.place[f, columns], lever_arms[cam.marker[columns]]))
    return out


def start_poses(
    cameras: tuple[CameraData, ...],
    b: int,
    lever_arms: Array,
    vehicle: VehicleGeometry,
    where: str,
    count: int = 24,
) -> Poses:
    """Start poses of a vehicle over the film.

    Raises Problem where no mark of the vehicle with a known place was measured.
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
            pose[k], _ = fit_pose(seen[k], near, near, HELD_U)
    return Poses(times, pose, marks)


def first_pose(seen: list[View], vehicle: VehicleGeometry) -> Array:
    """The pose (6,) that fits best, whichever way the vehicle faces."""
    guess, guess_u = rough_place(vehicle)
    known_mask = vehicle.heading is not None
    sides = (
        [float(vehicle.heading or 0.0)]
        if known_mask
        else np.arange(HEADINGS) * 2 * np.pi / HEADINGS
    )
    best: tuple[float, Array] | None = None
    for yaw in sides:
        start = np.concatenate([_sighted_place(seen, float(yaw), guess, guess_u), [0.0, 0.0, yaw]])
        prior_mean = np.concatenate([guess, [0.0, 0.0, yaw]])
        u = np.concatenate([guess_u, [LEVEL_U, LEVEL_U, 0.2 if known_mask else 1.0]])
        pose, cost = fit_pose(seen, start, prior_mean, u)
        # among headings that fit alike, the one nearest to the direction of x
        cost += 1e-3 * (1 - np.cos(pose[5]))
        if best is None or cost < best[0]:
            best = cost, pose
    assert best is not None
    pose = best[1]
    pose[5] = np.arctan2(np.sin(pose[5]), np.cos(pose[5]))
    return pose


def _sighted_place(seen: list[View], yaw: float, guess: Array, guess_u: Array) -> Array:
    """Place (3,) of the cg of a level vehicle of this heading, nearest to all lines of sight."""
    turn = rotation(np.array([0.0, 0.0, yaw]))
    matrix, side = np.diag(1e-4 / guess_u**2), 1e-4 * guess / guess_u**2
    for s in seen:
        rays = s.camera.rays(s.pixels)
        across = np.eye(3) - rays[:, :, None] * rays[:, None, :]
        matrix = matrix + across.sum(axis=0)
        reach = s.camera.position - s.lever_arms @ turn.T
        side = side + (across @ reach[:, :, None]).sum(axis=0)[:, 0]
    return np.asarray(np.linalg.solve(matrix, side))


def fit_pose(
    seen: list[View], start: Array, prior_mean: Array, u: Array, steps: int = 25
) -> tuple[Array, float]:
    """Pose (6,) and its cost: robust fit to what is seen, with a prior `level`, sd `u` (6,)."""
    pose, damping = start.copy(), 1e-6
    cost, matrix, side = _normal(seen, pose, prior_mean, u)
    for _ in range(steps):
        damped = matrix + damping * np.diag(np.diag(matrix))
        change = np.linalg.solve(damped, side)
        new = _normal(seen, pose + change, prior_mean, u)
        if new[0] < cost:
            done = cost - new[0] < ENOUGH * cost + 1e-9
            pose, (cost, matrix, side) = pose + change, new
            damping = max(damping * 0.2, 1e-9)
            if done:
                break
        else:
            damping = max(damping * 10, 1e-4)
            if damping > 1e6:
                break
    return pose, cost


def _normal(
    seen: list[View], pose: Array, prior_mean: Array, u: Array
) -> tuple[float, Array, Array]:
    away = (prior_mean - pose) / u
    cost = float(away @ away)
    matrix, side = np.diag(1 / u**2), away / u
    for s in seen:
        offset, by_angles = turned(np.broadcast_to(pose[3:], (len(s.lever_arms), 3)), s.lever_arms)
        pixels, by_point, _ = s.camera.project_with_derivatives(pose[:3] + offset)
        r = (s.pixels - pixels) / TOLERANCE_PX
        jac = np.concatenate([by_point, by_point @ by_angles], axis=2) / TOLERANCE_PX
        bad = ~np.isfinite(r).all(axis=1)
        r[bad], jac[bad] = 0.0, 0.0
        square = np.sum(r * r, axis=1)
        cost += float(np.sum(np.log1p(square))) + 1e3 * int(bad.sum())
        w = 1 / (1 + square)
        weighted = jac * w[:, None, None]
        matrix = matrix + np.einsum("kei,kej->ij", weighted, jac)
        side = side + np.einsum("kei,ke->i", weighted, r)
    return cost, matrix, side


def place_unsurveyed(
    cameras: tuple[CameraData, ...], b: int, lever_arms: Array, start: Poses
) -> Array:
    """Arms (markers, 3) with those of no known place put where their lines of sight pass nearest
    while the vehicle moves; NaN for a marker that no eye saw.
    """
    lever_arms = lever_arms.copy()
    missing = ~np.isfinite(lever_arms).all(axis=1)
    middle = np.nanmean(lever_arms, axis=0) if not missing.all() else np.zeros(3)
    for m in np.flatnonzero(missing):
        matrix, side, seen = np.eye(3) * 1e-2, middle * 1e-2, 0
        for cam in cameras:
            for column in np.flatnonzero((cam.body == b) & (cam.marker == m)):
                rows = np.flatnonzero(cam.measured[:, column])
                rows = rows[:: max(1, len(rows) // 40)]
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
    """Arms (markers, 3) of a vehicle none of whose markers was surveyed: where the first sight of
    each meets the plane through the guessed place that faces the camera best, seen from their
    middle, the vehicle facing its rough heading.
    """
    guess, _ = rough_place(vehicle)
    points = np.full((markers, 3), np.nan)
    for cam in cameras:
        columns = np.flatnonzero(cam.body == b)
        if not len(columns):
            continue
        f = int(np.argmax(cam.measured[:, columns].sum(axis=1)))
        columns = columns[cam.measured[f, columns]]
        rays = cam.camera.rays(cam.place[f, columns])
        normal = np.argmax(np.abs(rays.mean(axis=0)))
        reach = (guess - cam.camera.position)[normal] / rays[:, normal]
        points[cam.marker[columns]] = cam.camera.position + reach[:, None] * rays
        break
    turn = rotation(np.array([0.0, 0.0, vehicle.heading or 0.0]))
    return np.asarray((points - np.nanmean(points, axis=0)) @ turn)
