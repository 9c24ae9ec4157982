"""A root of the posterior covariance, found in B-spline coefficients and given in prior sds.

The handles reach from contact to the ends of a film: over seconds, their normal matrix spans more
than double precision holds. B-spline coefficients are local, so theirs does not.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import lapack
from scipy.sparse import csr_array

from calibration.arrays import Array
from calibration.errors import MotionError
from tracker.motion.model.residuals import matrix_in_jerk_basis
from tracker.motion.model.unknowns import COMPONENTS, Setup, add_components
from tracker.motion.solver.block_arrow_cholesky import SMALL
from tracker.motion.solver.jerk_information import add_jerk_information


def posterior_covariance_root(setup: Setup, local: Array, sd: Array) -> Array:
    """F (count, count) with F F' the posterior covariance in prior sds `sd` (count,).

    Parameters
    ----------
    local : (count, count) information of the evidence, on B-spline coefficients for the bodies.

    Where local coefficients fail, on very short intervals on which a quiet motion is stiffer than
    double precision holds, handles serve. Raises Problem where the marks contradict themselves
    beyond what numbers can hold.
    """
    covariance_root = _root_by_bsplines(setup, local, sd)
    if covariance_root is None:
        covariance_root = _root_by_jerk_basis(setup, local, sd)
    if covariance_root is None:
        raise MotionError(
            "the motion can't be solved from these marks: what they say contradicts itself",
            where="tracks",
            remedy="check the picks, the survey and the camera positions",
        )
    return covariance_root


def with_prior(setup: Setup, local: Array, sd: Array) -> tuple[Array, Array]:
    """Evidence and prior together on B-spline coefficients (count, count), by a scale (count,) that
    makes the diagonal of the bodies' part 1 and gives the other unknowns in prior sds.
    """
    whole, scale = local.copy(), sd.copy()
    for body, part, weak_prior in zip(
        setup.bodies, setup.spline_slices, setup.local_weak_priors, strict=True
    ):
        add_components(whole, part, weak_prior)
        information = 1 / sd[part].reshape(-1, COMPONENTS) ** 2
        add_jerk_information(whole[part, part], body.basis.to_jerk_basis, information)
        scale[part] = 1 / np.sqrt(np.diag(whole)[part])
    whole *= scale
    whole *= scale[:, None]
    others = np.arange(setup.spline_slices[-1].stop, setup.count)
    whole[others, others] += 1.0
    return whole, scale


def root_in_bspline_basis(setup: Setup, covariance_root: Array, sd: Array) -> Array:
    """The root on B-spline coefficients, in their units."""
    out = covariance_root * sd[:, None]
    for body, part in zip(setup.bodies, setup.spline_slices, strict=True):
        count = body.basis.count
        rows = body.basis.from_jerk_basis @ out[part].reshape(count, -1)
        out[part] = rows.reshape(count * COMPONENTS, -1)
    return np.asarray(out)


def _root_by_jerk_basis(setup: Setup, local: Array, sd: Array) -> Array | None:
    whole = matrix_in_jerk_basis(setup, local) * sd * sd[:, None]
    whole += setup.weak_prior * sd * sd[:, None] + np.eye(setup.count)
    return _inverse_of_transpose(whole)


def _root_by_bsplines(setup: Setup, local: Array, sd: Array) -> Array | None:
    whole, scale = with_prior(setup, local, sd)
    out = _inverse_of_transpose(whole)
    if out is None or 1 / float(np.max(np.diag(out))) < SMALL:
        return None
    for body, part in zip(setup.bodies, setup.spline_slices, strict=True):
        coefficients = (out[part] * scale[part, None]).reshape(body.basis.count, -1)
        rows = np.asarray(csr_array(body.basis.to_jerk_basis) @ coefficients)
        np.divide(rows.reshape(part.stop - part.start, -1), sd[part, None], out=out[part])
    return out


def pivoted_root(matrix: Array) -> Array:
    """A (n, k) with A A' a positive semi-definite matrix (n, n), by Cholesky with pivots."""
    lower, pivots, rank, _ = lapack.dpstrf(matrix, lower=True)
    out = np.zeros((len(matrix), rank))
    out[pivots - 1] = np.tril(lower)[:, :rank]
    return out


def _inverse_of_transpose(matrix: Array) -> Array | None:
    """The inverse transpose of the Cholesky factor of a symmetric matrix, which is lost; None where
    it has none that half of the digits hold.
    """
    lower, failed = lapack.dpotrf(matrix.T, lower=True, clean=True, overwrite_a=True)
    if failed or not np.isfinite(np.diag(lower)).all():  # as any other element would make them
        return None
    inverse, failed = lapack.dtrtri(lower, lower=True, overwrite_c=True)
    return None if failed else np.ascontiguousarray(inverse.T)
