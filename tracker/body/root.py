"""A root of the posterior covariance, found in B-spline coefficients and given in prior sds.

The handles reach from contact to the ends of a film: over seconds, their normal matrix spans more
than double precision holds. B-spline coefficients are local, so theirs does not.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import lapack, solve_triangular

from calibration.camera import Array
from calibration.problem import Problem
from tracker.body.setup import POSES, Setup


def posterior_root(setup: Setup, information: Array, sd: Array) -> Array:
    """F (count, count) with F F' the posterior covariance in prior sds `sd` (count,).

    Parameters
    ----------
    information : (count, count) of the evidence, on B-spline coefficients for the bodies.

    Raises Problem where the marks contradict themselves beyond what numbers can hold.
    """
    whole, scale = information.copy(), sd.copy()
    for body, part in zip(setup.bodies, setup.spline, strict=True):
        grid = np.arange(part.start, part.stop).reshape(-1, POSES)
        for component in range(POSES):
            here = grid[:, component]
            whole[np.ix_(here, here)] += prior_information(setup, sd, here, body.basis.to_handles)
        scale[part] = 1 / np.sqrt(np.diag(whole)[part])
    whole *= scale
    whole *= scale[:, None]
    others = np.arange(setup.spline[-1].stop, setup.count)
    whole[others, others] += 1.0
    lower, failed = lapack.dpotrf(whole, lower=True, clean=True)
    if failed or not np.isfinite(lower).all():
        raise Problem(
            "the motion can't be solved from these marks: what they say contradicts itself",
            where="tracks",
            remedy="check the picks, the survey and the camera positions",
        )
    out = solve_triangular(lower, np.eye(setup.count), lower=True, trans="T", check_finite=False)
    for body, part in zip(setup.bodies, setup.spline, strict=True):
        count = body.basis.count
        rows = (scale[part, None] * out[part]).reshape(count, -1)
        out[part] = (body.basis.to_handles @ rows).reshape(count * POSES, -1) / sd[part, None]
    return np.asarray(out)


def prior_information(setup: Setup, sd: Array, here: Array, to_handles: Array) -> Array:
    """Prior information of one component's B-spline coefficients."""
    rows = to_handles / sd[here][:, None]
    tether = to_handles.T @ setup.tether[np.ix_(here, here)] @ to_handles
    return np.asarray(rows.T @ rows + tether)
