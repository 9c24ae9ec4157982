"""Steps and posteriors by dense algebra: where accelerometers join, whose vibration couples all
times, and at the end, for the root of the posterior covariance.

Unknowns are in units of their prior sds, where the normal matrix is the identity plus what the
evidence adds: it never fails to factor, however little a film shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.motion.model.residuals import error_schur_complement, side_in_jerk_basis
from tracker.motion.model.unknowns import Setup
from tracker.motion.solver.covariance_root import posterior_covariance_root
from tracker.motion.solver.iterate import Iterate
from tracker.motion.solver.linearization import NormalEquations, add_camera


@dataclass(frozen=True)
class ReducedEquations:
    """Normal equations of the evidence on B-spline coefficients, error states eliminated."""

    local: Array  # (count, count) information of marks and sensors
    side: Array  # (count,) its right side
    from_sensors: Array  # (count, count) information of sensors alone; empty without any


@dataclass(frozen=True)
class GaussNewtonStep:
    """A Gauss-Newton step."""

    change: Array  # (count,) prior sds
    decrement: float  # its squared length in posterior sds


@dataclass(frozen=True)
class DenseStep(GaussNewtonStep):
    """A Gauss-Newton step, and the root of the posterior covariance."""

    equations: ReducedEquations
    covariance_root: Array  # (count, count) of the posterior covariance, in prior sds


def eliminate_error_states(setup: Setup, normal: NormalEquations) -> ReducedEquations:
    """The normal equations with error states eliminated."""
    local, side = normal.local.copy(), normal.side.copy()
    for camera in normal.cameras:
        if camera.rows.size:
            matrix, right = error_schur_complement(setup, camera)
            add_camera(
                local, np.negative(matrix, out=matrix), setup.spline_slices[-1].stop, camera.here
            )
            side[camera.here] -= right
    return ReducedEquations(local, side, normal.from_sensors)


def solve_dense(iterate: Iterate, equations: ReducedEquations) -> DenseStep:
    """The step from an iterate, where `equations` were taken; its fixed unknowns stay."""
    setup, sd, fixed_mask = iterate.setup, iterate.sd, iterate.fixed_mask
    right_side = sd * (
        side_in_jerk_basis(setup, equations.side) - setup.weak_prior_gradient(iterate.values)
    )
    right_side -= iterate.standardized_values
    covariance_root = posterior_covariance_root(setup, equations.local, sd)
    change = covariance_root @ (covariance_root.T @ right_side)
    if fixed_mask.any():
        # the step of the others, given that these stay
        stay = covariance_root[fixed_mask]
        change = change - covariance_root @ (
            stay.T @ np.linalg.solve(stay @ stay.T, change[fixed_mask])
        )
        change[fixed_mask] = 0.0
    return DenseStep(change, float(right_side @ change), equations, covariance_root)


def covariance(s: DenseStep) -> Array:
    """Posterior covariance (count, count) in units of prior sds."""
    return np.asarray(s.covariance_root @ s.covariance_root.T)
