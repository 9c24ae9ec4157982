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

SMALL = 1e-7
"""A pivot below this (of 1) has lost half of its digits."""


def posterior_root(setup: Setup, local: Array, handled: Array, sd: Array) -> Array:
    """F (count, count) with F F' the posterior covariance in prior sds `sd` (count,).

    Parameters
    ----------
    local : (count, count) information of the evidence, on B-spline coefficients for the bodies.
    handled : the same on handles, in prior sds. It serves where local coefficients fail in turn:
        on very short intervals a quiet motion is stiffer than double precision holds.

    Raises Problem where the marks contradict themselves beyond what numbers can hold.
    """
    root = _by_coefficients(setup, local, sd)
    if root is None:
        root = _by_handles(setup, handled, sd)
    if root is None:
        raise Problem(
            "the motion can't be solved from these marks: what they say contradicts itself",
            where="tracks",
            remedy="check the picks, the survey and the camera positions",
        )
    return root


def _by_handles(setup: Setup, handled: Array, sd: Array) -> Array | None:
    whole = handled + setup.tether * sd * sd[:, None] + np.eye(setup.count)
    lower, failed = lapack.dpotrf(whole, lower=True, clean=True)
    return None if failed else _inverse_of_transpose(lower)


def _inverse_of_transpose(lower: Array) -> Array | None:
    if not np.isfinite(lower).all():
        return None
    identity = np.eye(len(lower))
    return np.asarray(solve_triangular(lower, identity, lower=True, trans="T", check_finite=False))


def _by_coefficients(setup: Setup, local: Array, sd: Array) -> Array | None:
    whole, scale = local.copy(), sd.copy()
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
    least = float(np.min(np.diag(lower))) if not failed else 0.0
    out = None if least < SMALL else _inverse_of_transpose(lower)
    if out is None:
        return None
    for body, part in zip(setup.bodies, setup.spline, strict=True):
        count = body.basis.count
        rows = (scale[part, None] * out[part]).reshape(count, -1)
        out[part] = (body.basis.to_handles @ rows).reshape(count * POSES, -1) / sd[part, None]
    return out


def prior_information(setup: Setup, sd: Array, here: Array, to_handles: Array) -> Array:
    """Prior information of one component's B-spline coefficients."""
    rows = to_handles / sd[here][:, None]
    tether = to_handles.T @ setup.tether[np.ix_(here, here)] @ to_handles
    return np.asarray(rows.T @ rows + tether)
