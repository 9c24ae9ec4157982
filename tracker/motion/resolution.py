"""How finely in time the evidence shows an acceleration."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.motion.model.unknowns import COMPONENTS
from tracker.motion.posterior import Solution


def time_resolution(solution: Solution, vehicle: str, until: float) -> Array:
    """The time (2,), s, for which one independent number of a vehicle's acceleration stands,
    forward and to the right, between contact and `until`, s; infinite where there is none.

    The time over the number of jerks that the evidence determines, which is the sum of 1 less
    posterior over prior variance. Source: MacKay 1992, "Bayesian interpolation", section 4 (number
    of well-measured parameters). What is shorter is smoothed.
    """
    b = solution.vehicles.index(vehicle)
    basis, part = solution.setup.bodies[b].basis, solution.setup.spline_slices[b]
    share = np.diag(solution.unit_covariance)[part].reshape(-1, COMPONENTS)[basis.jerk, :2]
    begin = solution.contact[0]
    inside = np.clip(basis.breakpoints[1:], begin, until) - np.clip(
        basis.breakpoints[:-1], begin, until
    )
    known = (inside / basis.intervals) @ np.clip(1 - share, 0.0, 1.0)
    heading = float(solution.trajectory(vehicle).state(np.array([begin]))[0, 5])
    along, across = np.cos(heading) ** 2, np.sin(heading) ** 2
    known = np.array([along * known[0] + across * known[1], across * known[0] + along * known[1]])
    return np.asarray(np.divide(until - begin, known, out=np.full(2, np.inf), where=known > 0))
