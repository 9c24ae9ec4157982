"""Steps and posteriors by dense algebra: where accelerometers join, whose vibration couples all
times, and at the end, for the posterior's root.

Unknowns are in units of their prior sds, where the normal matrix is the identity plus what the
evidence adds: it never fails to factor, however little a film shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model.residuals import lost_to_slow, side_on_handles
from tracker.motion.model.unknowns import Setup
from tracker.motion.solver.covariance_root import posterior_root
from tracker.motion.solver.linearization import Told, add_eye, unit


@dataclass(frozen=True)
class Evidence:
    """What the evidence says about the unknowns near a point, on B-spline coefficients, marks' slow
    errors eliminated.
    """

    local: Array  # (count, count) information of marks and sensors
    side: Array  # (count,) its right side
    felt: Array  # (count, count) information of sensors alone; empty without any


@dataclass(frozen=True)
class Step:
    """A Gauss-Newton step."""

    change: Array  # (count,) prior sds
    decrement: float  # its squared length in posterior sds


@dataclass(frozen=True)
class System(Step):
    """A Gauss-Newton step, and the posterior's root."""

    evidence: Evidence
    root: Array  # (count, count) of the posterior covariance, in prior sds


def without_slow(setup: Setup, told: Told) -> Evidence:
    """The evidence with marks' slow errors eliminated."""
    local, side = told.local.copy(), told.side.copy()
    for eye in told.eyes:
        if eye.rows.size:
            matrix, right = lost_to_slow(setup, eye)
            add_eye(local, np.negative(matrix, out=matrix), setup.spline[-1].stop, eye.here)
            side[eye.here] -= right
    return Evidence(local, side, told.felt)


def system(
    setup: Setup, evidence: Evidence, values: Array, sd: Array, held: NDArray[np.bool_]
) -> System:
    """The step from `values` (count,), where the evidence was taken; unknowns that are `held`
    (count,) stay where they are.
    """
    pull = sd * (side_on_handles(setup, evidence.side) - setup.pull(values))
    pull -= unit(setup, values, sd)
    root = posterior_root(setup, evidence.local, sd)
    change = root @ (root.T @ pull)
    if held.any():
        # the step of the others, given that these stay
        stay = root[held]
        change = change - root @ (stay.T @ np.linalg.solve(stay @ stay.T, change[held]))
        change[held] = 0.0
    return System(change, float(pull @ change), evidence, root)


def covariance(s: System) -> Array:
    """Posterior covariance (count, count) in units of prior sds."""
    return np.asarray(s.root @ s.root.T)
