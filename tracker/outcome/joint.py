"""Two bodies with a joint at a given point: a tractor and its trailer, a car and what it tows.

Each body is first estimated from its own marks. Then, instant by instant, both are corrected so
that the joint is at one place: the best linear estimate given that the gap between the two places
is zero with the joint's own uncertainty, with covariances taken from the draws (a Kalman update,
Gelb 1974, eq. 4.2-16; of an ensemble, Evensen 2003). Places and attitudes are corrected, and rates
as far as they are correlated with them at the same instant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.core.rigid_body import point_motion, rotation
from tracker.core.types import Quantity


@dataclass(frozen=True)
class JointPoint:
    """Where a joint is in two bodies, (3,) m from the cg of each, and the sd of that as a whole."""

    in_first: Array
    in_second: Array
    u: float  # m, play included


@dataclass(frozen=True)
class Articulation:
    """The second body's attitude relative to the first, and the joint's gap before correction."""

    time: Array  # (n,) s
    yaw: Array  # (n,) rad, to the right +, continuous
    yaw_u: Array  # (n,)
    most_right: Quantity  # rad, with its time
    most_left: Quantity
    gap: Quantity  # m, where it stands out most, with its time


def join_states(
    joint: JointPoint,
    first: Array,
    second: Array,
    first_draws: Array,
    second_draws: Array,
    seed: int = 0,
) -> tuple[Array, Array, Array, Array]:
    """States (n, 15) of both bodies and their draws (m, n, 15), corrected so that the joint is at
    one place. A row that is not finite stays as it is.
    """
    both = np.concatenate([first, second], axis=1)
    samples = np.concatenate([first_draws, second_draws], axis=2)
    gap = _gap(joint, first, second)
    gaps = _gap(joint, first_draws, second_draws)
    play = joint.u * np.random.default_rng(seed).standard_normal((len(samples), 1, 3))
    gaps = gaps + play  # one play a draw: a joint is off by the same for the whole test
    out, outs = both.copy(), samples.copy()
    for k in np.flatnonzero(np.isfinite(both).all(axis=1) & np.isfinite(gap).all(axis=1)):
        away = samples[:, k] - samples[:, k].mean(axis=0)
        off = gaps[:, k] - gaps[:, k].mean(axis=0)
        gain = np.linalg.solve(off.T @ off, off.T @ away)  # (3, 30)
        out[k] = both[k] - gap[k] @ gain
        outs[:, k] = samples[:, k] - gaps[:, k] @ gain
    return out[:, :15], out[:, 15:], outs[..., :15], outs[..., 15:]


def joint_gap(
    joint: JointPoint, time: Array, states: tuple[Array, Array], draws: tuple[Array, Array]
) -> Quantity | None:
    """Distance between the joint's two places as each body alone has them, m, at that of times
    (n,) and in that direction in which it stands out most from its uncertainty. None without any
    time at which both are known.
    """
    gap, samples = _gap(joint, *states), _gap(joint, *draws)
    best: Quantity | None = None
    for k in np.flatnonzero(np.isfinite(gap).all(axis=1)):
        spread = np.cov(samples[:, k].T) + joint.u**2 * np.eye(3)
        along = np.linalg.solve(spread, gap[k])
        along = along / max(float(np.linalg.norm(along)), 1e-12)
        found = Quantity(
            float(along @ gap[k]), "m", float(np.sqrt(along @ spread @ along)), float(time[k])
        )
        if best is None or found.value * best.u > best.value * found.u:
            best = found
    return best


def articulation(
    time: Array, states: tuple[Array, Array], draws: tuple[Array, Array], gap: Quantity
) -> Articulation:
    """The angle about the first body's vertical by which the second is turned against it."""
    yaw, samples = np.unwrap(_relative_yaw(*states)), _relative_yaw(*draws)
    away = (samples - yaw + np.pi) % (2 * np.pi) - np.pi
    u = np.std(away, axis=0, ddof=1)
    right, left = int(np.argmax(yaw)), int(np.argmin(yaw))

    def at(k: int) -> Quantity:
        return Quantity(float(yaw[k]), "rad", float(u[k]), float(time[k]))

    return Articulation(time, yaw, u, at(right), at(left), gap)


def _gap(joint: JointPoint, first: Array, second: Array) -> Array:
    place, _ = point_motion(first, joint.in_first)
    other, _ = point_motion(second, joint.in_second)
    return np.asarray(place - other)


def _relative_yaw(first: Array, second: Array) -> Array:
    turn = np.swapaxes(rotation(first[..., 3:6]), -1, -2) @ rotation(second[..., 3:6])
    return np.asarray(np.arctan2(turn[..., 1, 0], turn[..., 0, 0]))
