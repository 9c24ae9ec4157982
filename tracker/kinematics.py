"""What follows from a rigid motion: paths of unmarked points, and turning rates about own axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion import Solution

DRAWS = 200
"""Draws from the posterior behind a point's uncertainty: 5 % of it."""


@dataclass(frozen=True)
class PointPath:
    """A point's path in ground axes at times (n,), s, with standard uncertainties."""

    time: Array
    position: Array  # (n, 3) m
    velocity: Array  # (n, 3) m/s
    position_u: Array
    velocity_u: Array
    observed: NDArray[np.bool_]  # (n, 3) for position and velocity alike


def path_of(solution: Solution, vehicle: str, at: Array, times: Array, seed: int = 1) -> PointPath:
    """The path of the point `at` (3,), vehicle axes, m, of a vehicle at times (n,), s.

    A coordinate counts as observed where that of the cg is and, for a point away from the cg, where
    the attitude that moves it is: sideways arms need yaw and roll, and so on; conservatively, all
    angles whose change by one prior sd would move the point by more than its own uncertainty.
    Raises Problem where no camera saw the vehicle.
    """
    times = np.asarray(times, dtype=float)
    position, velocity = solution.point(vehicle, at, times)
    drawn, drawn_rate = solution.draws(DRAWS, seed).points(vehicle, at, times)
    place_u, rate_u = drawn.std(axis=0), drawn_rate.std(axis=0)
    motion = solution.motion(vehicle, times)
    loose = ~motion.observed[:, 3:6] & (motion.u[:, 3:6] > 0)
    arm = float(np.linalg.norm(np.asarray(at) - solution.cg(vehicle)))
    swing = np.max(np.where(loose, motion.u[:, 3:6], 0.0), axis=1) * arm
    steady = swing[:, None] <= np.maximum(motion.u[:, :3], 1e-3)
    return PointPath(times, position, velocity, place_u, rate_u, motion.observed[:, :3] & steady)


def body_rates(state: Array) -> Array:
    """Turning rates (..., 3) about the vehicle's own x, y, z (rad/s) of states (..., 15).

    Source: Diebel 2006, "Representing Attitude", rates of Euler angles to body rates, sequence
    (3, 2, 1).
    """
    roll, pitch = state[..., 3], state[..., 4]
    roll_rate, pitch_rate, yaw_rate = (state[..., k] for k in (9, 10, 11))
    sideways = yaw_rate * np.cos(pitch)
    return np.stack(
        [
            roll_rate - yaw_rate * np.sin(pitch),
            pitch_rate * np.cos(roll) + sideways * np.sin(roll),
            sideways * np.cos(roll) - pitch_rate * np.sin(roll),
        ],
        axis=-1,
    )
