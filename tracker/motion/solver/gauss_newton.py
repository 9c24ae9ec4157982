"""Gauss-Newton on all unknowns at once: in time's order where films tell, dense where
accelerometers do, or where the intervals of a quiet motion are too short for numbers in time's
order.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model import correlated_errors
from tracker.motion.model.mark_noise import Noise
from tracker.motion.model.unknowns import POSES, Setup
from tracker.motion.solver import linearization, sparse_step
from tracker.motion.solver.covariance_root import on_coefficients
from tracker.motion.solver.dense_step import System, system, without_slow
from tracker.motion.solver.linearization import Point, Told
from tracker.motion.solver.sparse_step import Joint, Spread

BLIND = 0.3
"""A component whose place at contact keeps more than this share of its prior sd is unseen."""


def step(
    setup: Setup, told: Told, values: Array, sd: Array, held: NDArray[np.bool_]
) -> Joint | System:
    """The step from `values` (count,), where the evidence was taken; unknowns that are `held`
    (count,) stay where they are.
    """
    found = None if setup.sensors else sparse_step.joint(setup, told, values, sd, held)
    return found or system(setup, without_slow(setup, told), values, sd, held)


def left(setup: Setup, taken: Joint | System, sd: Array) -> Array:
    """Posterior over prior variance (count,) of all unknowns."""
    if isinstance(taken, Joint):
        return sparse_step.left(setup, taken, sd)
    return np.asarray(np.sum(taken.root**2, axis=1))


def spreading(setup: Setup, told: Told, taken: Joint | System, sd: Array) -> Callable[[], Spread]:
    """What finds as much of the posterior covariance as the sizing of noise needs. It doesn't hold
    on to the evidence, which takes much room.
    """
    if isinstance(taken, Joint):
        return partial(sparse_step.spread, setup, taken)
    found = _dense_spread(setup, told, taken, sd)
    return lambda: found


def _dense_spread(setup: Setup, told: Told, taken: System, sd: Array) -> Spread:
    root = on_coefficients(setup, taken.root, sd)
    slow = []
    for eye in told.eyes:
        rows = eye.rows.copy()
        correlated_errors.whiten(eye.factor, rows)
        moved = correlated_errors.unwhitened(eye.factor, rows) @ root[eye.here]
        alone, beside = correlated_errors.band(eye.factor)
        across = np.sum(moved[:, :, 1:] * moved[:, :, :-1], axis=(1, 3))
        slow.append((2 * alone + np.sum(moved**2, axis=(1, 3)), 2 * beside + across))
    return Spread(root @ root.T, tuple(slow))


def unseen(setup: Setup, variance: Array) -> NDArray[np.bool_]:
    """Unknowns (count,) of components that the marks say next to nothing about, by what is `left`
    (count,) of their variance. They are left where they are believed to be: what is not seen must
    not bend what is, by shrinking the whole motion towards a camera, say. Their uncertainty counts
    in full.
    """
    out = np.zeros(setup.count, dtype=bool)
    for body, part in zip(setup.bodies, setup.spline, strict=True):
        place, rate = (variance[part].reshape(-1, POSES)[k] > BLIND**2 for k in range(2))
        still = np.tile(place & rate, (body.basis.count, 1))
        still[0] = place
        out[part] = still.ravel()
    return out


def stepped(
    setup: Setup,
    at: Point,
    sd: Array,
    weights: list[Array],
    noise: Sequence[Noise],
    change: Array,
    held: NDArray[np.bool_],
) -> Point:
    """The point after a step by `change` (count,); the same one if none is better. A full step
    along a curved valley may climb its side first, so it is given a second step to come down before
    it is shortened.
    """
    enough = at.objective + 1e-9 * abs(at.objective)
    new = linearization.point(setup, at.values + change * sd, sd, weights, noise)
    if new.objective <= enough:
        return new
    if np.isfinite(new.objective):
        told = linearization.told(setup, new, weights, noise)
        again = step(setup, told, new.values, sd, held).change
        second = linearization.point(setup, new.values + again * sd, sd, weights, noise)
        if second.objective <= enough:
            return second
    share = 0.4
    while share > 1e-3:
        new = linearization.point(setup, at.values + share * change * sd, sd, weights, noise)
        if new.objective <= enough:
            return new
        share *= 0.3
    return at
