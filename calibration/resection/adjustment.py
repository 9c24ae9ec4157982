"""Least-squares adjustment of one camera: observations and priors in, camera and covariance out.

The unknowns are the camera's turn (3) and position (3) and what is open of its lens, each lens
unknown scaled so that its prior is a standard normal. An observation is whatever has residuals
against a camera, in units of its own standard uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.camera import LENS, PARAMETERS, POSE, Camera, Lens
from calibration.resection.options import RESECTION

Observation = Callable[[Camera], tuple[Array, Array]]
"""Residuals (m,) in standard uncertainties, and their derivatives (m, 15) by the camera's
`PARAMETERS`. Residuals are NaN where the camera can't see what it should."""

_FOCAL_POWER = np.array([0.0, 0.0, 0.0, 0.0, 2.0, 4.0, 1.0, 1.0, 6.0])
"""How each lens value grows with the focal length at constant displacement in the picture."""


@dataclass(frozen=True)
class LensPrior:
    """What is open of a lens: values = start + spread @ z, z standard normal a priori.

    With `log_focal` the first unknown is the logarithm of the focal length instead, with the
    standard deviation given, so that a poorly known focal length can't become negative; the spread
    of the distortion then grows with the focal length such that an unknown means the same
    displacement in the picture whatever the focal length.
    """

    start: Lens
    spread: Array  # (9, r)
    log_focal: float | None = None

    @property
    def count(self) -> int:
        """Number of open unknowns r."""
        return int(self.spread.shape[1])

    def lens(self, z: Array) -> Lens:
        """The lens at the unknowns z (r,)."""
        values = self.start.values + self._growth(z) * (self.spread @ z)
        if self.log_focal is not None:
            values[:2] = self.start.values[:2] * np.exp(self.log_focal * z[0])
        return self.start.with_values(values)

    def slope(self, z: Array) -> Array:
        """Derivatives (9, r) of the lens values by z."""
        growth = self._growth(z)
        slope = growth[:, None] * self.spread
        if self.log_focal is not None:
            slope[:, 0] = _FOCAL_POWER * self.log_focal * growth * (self.spread @ z)
            slope[:2, 0] = self.log_focal * self.start.values[:2] * np.exp(self.log_focal * z[0])
        return slope

    def _growth(self, z: Array) -> Array:
        if self.log_focal is None:
            return np.ones(9)
        return np.asarray(np.exp(_FOCAL_POWER * self.log_focal * z[0]))

    def at(self, focal: float) -> Array:
        """The unknowns z (r,) of this focal length (px) and everything else as at the start."""
        z = np.zeros(self.count)
        if self.log_focal is not None:
            z[0] = np.log(focal / self.start.matrix[0, 0]) / self.log_focal
        return z


def calibrated_lens_prior(lens: Lens) -> LensPrior:
    """The prior of a calibrated lens: its covariance, factored. What has none is not open."""
    scale, vectors = np.linalg.eigh(lens.covariance)
    keep = scale > 1e-14 * max(float(scale[-1]), 1e-300)
    return LensPrior(lens, vectors[:, keep] * np.sqrt(scale[keep]))


def open_lens_prior(
    size: tuple[int, int], *, log_focal_sd: float = RESECTION.focal_log_sd
) -> LensPrior:
    """The prior of a lens nobody calibrated, for a picture of this size (width, height).

    Focal length, one for both axes, within a factor exp(log_focal_sd); principal point about the
    picture's centre; radial distortion by what k1 and k2 do at the picture's corner; decentring.
    The figures are those of `RESECTION`.
    """
    width, height = size
    focal = RESECTION.focal_picture_widths * width
    corner = np.hypot(width, height) / 2 / focal
    lens = Lens(
        np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]]),
        np.zeros(5),
        size,
    )
    spread = np.zeros((9, 7))
    spread[2, 1] = spread[3, 2] = RESECTION.centre_u * width
    spread[4, 3] = RESECTION.k1_corner_u / corner**2
    spread[5, 4] = RESECTION.k2_corner_u / corner**4
    spread[6, 5] = spread[7, 6] = RESECTION.decentring_u
    return LensPrior(lens, spread, log_focal_sd)


@dataclass(frozen=True)
class AdjustedCamera:
    """An adjusted camera. `camera.covariance` is filled; `cost` is the sum of squared residuals
    of observations and lens prior, in standard uncertainties.
    """

    camera: Camera
    lens_unknowns: Array  # (r,) z of the lens prior
    cost: float
    residuals: Array  # (m,) of the observations, in standard uncertainties
    converged: bool


def adjust(
    camera: Camera,
    prior: LensPrior,
    observations: Sequence[Observation],
    *,
    centre: Array | None = None,
    z: Array | None = None,
    steps: int = RESECTION.steps,
) -> AdjustedCamera:
    """The camera that explains the observations best, from a start, by Levenberg-Marquardt.

    The start's pose is taken from `camera`, its lens from the unknowns `z`. `centre` (3,) is the
    place looked at; it only shapes the steps, so that they follow narrow valleys. The covariance is
    the inverse of the normal matrix (Gauss-Markov); it may be singular where nothing of the
    lens is open. Weights that depend on the camera are those of the last step (iterated
    reweighting).
    """
    z = np.zeros(prior.count) if z is None else z
    camera = replace(camera, lens=prior.lens(z))
    residuals, slopes = _stack(camera, observations)
    cost = _cost(residuals, z)
    damping, converged = RESECTION.damping, False
    normal = np.eye(6 + len(z))
    for _ in range(steps):
        if not np.isfinite(cost):
            break
        normal, gradient = _normal_equations(residuals, slopes, prior, z)
        scale = np.diag(np.diag(normal) + 1e-12)
        step = np.asarray(-np.linalg.solve(normal + damping * scale, gradient), dtype=np.float64)
        converged = bool(step @ normal @ step < RESECTION.converged)
        stepped = _camera_after(camera, prior, z, step, centre)
        new_residuals, new_slopes = _stack(stepped, observations)
        new_cost = _cost(new_residuals, z + step[6:])
        if new_cost < cost * (1 + 1e-9) + 1e-12:
            camera, z, cost = stepped, z + step[6:], new_cost
            residuals, slopes = new_residuals, new_slopes
            damping = max(damping / RESECTION.damping_factor, 1e-12)
            if converged:
                break
        elif converged:
            break
        else:
            damping *= RESECTION.damping_factor
            if damping > RESECTION.damping_limit:
                break
    covariance = _covariance(normal, prior, z)
    return AdjustedCamera(
        replace(camera, covariance=covariance), z, float(cost), residuals, converged
    )


def _camera_after(
    camera: Camera, prior: LensPrior, z: Array, step: Array, centre: Array | None
) -> Camera:
    """The camera after a step. With a `centre`, the camera orbits it rather than shifting along
    the tangent, and longer focal lengths carry it away in proportion; both agree with the plain
    step to first order.
    """
    change = np.zeros(PARAMETERS)
    change[POSE] = step[:6]
    lens = prior.lens(z + step[6:])
    stepped = replace(camera.with_change(change), lens=lens)
    if centre is None:
        return stepped
    before = camera.rotation @ (centre - camera.position)
    after = before + np.cross(step[:3], before) - camera.rotation @ step[3:6]
    if prior.log_focal is not None:
        growth = prior.log_focal * step[6]
        after += before * (np.expm1(growth) - growth)
    return replace(stepped, position=centre - stepped.rotation.T @ after)


def _stack(camera: Camera, observations: Sequence[Observation]) -> tuple[Array, Array]:
    parts = [one(camera) for one in observations]
    return np.concatenate([r for r, _ in parts]), np.concatenate([j for _, j in parts])


def _cost(residuals: Array, z: Array) -> float:
    cost = float(residuals @ residuals + z @ z)
    return cost if np.isfinite(cost) else np.inf


def _normal_equations(
    residuals: Array, slopes: Array, prior: LensPrior, z: Array
) -> tuple[Array, Array]:
    j = np.hstack([slopes[:, POSE], slopes[:, LENS] @ prior.slope(z)])
    normal = j.T @ j
    gradient = j.T @ residuals
    normal[6:, 6:] += np.eye(len(z))
    gradient[6:] += z
    return normal, gradient


def _covariance(normal: Array, prior: LensPrior, z: Array) -> Array:
    """Covariance (15, 15) of the camera's parameters from the normal matrix of the unknowns."""
    spread = np.zeros((PARAMETERS, 6 + len(z)))
    spread[POSE, :6] = np.eye(6)
    spread[LENS, 6:] = prior.slope(z)
    scale = 1 / np.sqrt(np.diag(normal) + 1e-300)
    inverse = np.linalg.pinv(normal * np.outer(scale, scale), rcond=1e-15, hermitian=True)
    return np.asarray(spread @ (inverse * np.outer(scale, scale)) @ spread.T)
