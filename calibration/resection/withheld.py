"""A check of a camera by targets that took no part in its calibration, each in its turn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from calibration.resection.adjustment import AdjustedCamera, LensPrior, Observation, adjust
from calibration.resection.pose import Sightings

FEWEST = 4  # targets that must remain: three fit several poses


@dataclass(frozen=True)
class TargetResiduals:
    """Residuals (n, 2) px of surveyed targets, measured less projected, and their standard
    deviations as the stated uncertainties let expect. `withheld` are those against a camera that
    was calibrated without the target, NaN where the others can't give one.
    """

    seen: Sightings
    residual: Array
    expected: Array
    withheld: Array
    withheld_expected: Array
    used: tuple[bool, ...]


def target_residuals(
    seen: Sightings,
    inliers: Sequence[int],
    fit: AdjustedCamera,
    prior: LensPrior,
    scale: float,
    extra: tuple[Observation, ...] = (),
) -> TargetResiduals:
    """Residuals of all sightings against a fit to the `inliers`.

    Parameters
    ----------
    seen : every surveyed target that was measured.
    inliers : indices of those that the fit used.
    fit, prior, extra : the adjusted camera, its lens prior and what else it was fitted to.
    scale : factor by which the fit's variances were widened.

    A target that was not used is withheld as it is. The variance of a used one's residual is that
    of the observation less that of the fitted value (Gauss-Markov); of a withheld one their sum.
    """
    predicted, by_point, by_camera = fit.camera.project_with_derivatives(seen.points)
    own = scale * seen.covariance(by_point)
    fitted = scale * _propagated_covariance(by_camera, fit.camera.covariance)
    used = np.isin(np.arange(len(seen)), inliers)
    variance = np.where(used[:, None, None], own - fitted, own + fitted)
    residual = seen.pixels - predicted
    withheld, withheld_u = np.full((2, len(seen), 2), np.nan)
    for i in range(len(seen)):
        if not used[i]:
            withheld[i], withheld_u[i] = residual[i], _sd(own[i] + fitted[i])
            continue
        others = [k for k in inliers if k != i]
        if len(others) < FEWEST:
            continue
        without = _refit_without(seen.subset(others), fit, prior, extra)
        place, by_place, by_pose = without.camera.project_with_derivatives(seen.points[i : i + 1])
        spread = _propagated_covariance(by_pose, without.camera.covariance)
        alone = seen.subset([i])
        withheld[i] = seen.pixels[i] - place[0]
        withheld_u[i] = _sd(scale * (alone.covariance(by_place)[0] + spread[0]))
    return TargetResiduals(
        seen, residual, _sd(variance), withheld, withheld_u, tuple(bool(each) for each in used)
    )


def _refit_without(
    seen: Sightings, fit: AdjustedCamera, prior: LensPrior, extra: tuple[Observation, ...]
) -> AdjustedCamera:
    observations = (seen.residuals, *extra)
    return adjust(fit.camera, prior, observations, centre=seen.points.mean(0), z=fit.lens_unknowns)


def _propagated_covariance(slopes: Array, covariance: Array) -> Array:
    return np.asarray(slopes @ covariance @ np.swapaxes(slopes, -1, -2))


def _sd(covariance: Array) -> Array:
    """Standard deviations (..., 2) of covariances (..., 2, 2)."""
    return np.sqrt(np.clip(np.diagonal(covariance, axis1=-2, axis2=-1), 0.0, None))
