"""How the picture as a whole moves from frame to frame, and places with that motion removed.

A picture shifts, turns and changes scale with film weave, camera shake and breathing lenses.
Fixed targets show that motion:

    seen - centre = shift + exp(ln scale + i turn) (reference - centre),  pixels as u + iv

The reference is each target's mean place over the film, so that the motion has mean zero. How
large the motion is, is estimated from the targets as well (marginal likelihood), so that a camera
that does not move is not given the noise of its targets.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from calibration.arrays import Array
from calibration.findings import Diagnostic
from calibration.image_motion.model import fit_weave
from calibration.image_motion.moved_targets import reject_moved_targets
from calibration.image_motion.options import IMAGE_MOTION

MOTION = 4
"""Shift along u and v (px), turn (rad, from u towards v), natural logarithm of the scale."""


@dataclass(frozen=True)
class Stabilisation:
    """Motion of the picture in each frame."""

    motion: Array  # (n, 4): du, dv (px), turn (rad), ln scale; about `centre`
    covariance: Array  # (n, 4, 4)
    centre: Array  # (2,) px
    reference: (
        Array  # (targets, 2) px: where each target is when the picture is at rest; NaN unseen
    )
    reference_covariance: Array  # (targets, 2, 2) px^2
    rms_px: float  # of the shift that is removed
    leftover_px: float  # rms of what is left at the targets, per coordinate; NaN without targets
    amplitude: Array  # (4,) standard deviation of the motion over the film; 0 where none was found
    findings: tuple[Diagnostic, ...]

    def stabilised_pixels(self, frame: ArrayLike, uv: Array) -> Array:
        """Where pixels (n, 2) seen in a frame, or each in its own frame (n,), would be seen in
        the picture at rest.
        """
        du, dv, turn, scale = self._motion(frame)
        shifted = _complex(np.asarray(uv, dtype=np.float64) - self.centre) - (du + 1j * dv)
        return _pixels(shifted * np.exp(-scale - 1j * turn)) + self.centre

    def picture_pixels(self, frame: ArrayLike, uv: Array) -> Array:
        """Where pixels (n, 2) of the picture at rest are seen in a frame: the inverse of
        `stabilised_pixels`.
        """
        return self.picture_pixels_with_derivatives(frame, uv)[0]

    def picture_pixels_with_derivatives(
        self, frame: ArrayLike, uv: Array
    ) -> tuple[Array, Array, Array]:
        """`picture_pixels` (n, 2), its derivatives by the pixel at rest (n, 2, 2) and by the
        frame's motion (n, 2, 4).
        """
        du, dv, turn, scale = self._motion(frame)
        gain = np.exp(scale + 1j * turn)
        turned = gain * _complex(np.asarray(uv, dtype=np.float64) - self.centre)
        gain = np.broadcast_to(gain, turned.shape)
        by_rest = np.empty((len(turned), 2, 2))
        by_rest[:, 0, 0] = by_rest[:, 1, 1] = gain.real
        by_rest[:, 1, 0], by_rest[:, 0, 1] = gain.imag, -gain.imag
        by_motion = np.zeros((len(turned), 2, MOTION))
        by_motion[:, 0, 0] = by_motion[:, 1, 1] = 1.0
        by_motion[:, :, 2] = _pixels(1j * turned)
        by_motion[:, :, 3] = _pixels(turned)
        return _pixels(turned + du + 1j * dv) + self.centre, by_rest, by_motion

    def _motion(self, frame: ArrayLike) -> Array:
        return np.moveaxis(self.motion[np.asarray(frame)], -1, 0)


def stabilise_picture(
    names: Sequence[str], position: Array, covariance: Array, *, size: tuple[int, int]
) -> Stabilisation:
    """The motion of the picture as its fixed targets show it.

    Parameters
    ----------
    names : t names of the fixed targets.
    position : (n, t, 2) px as seen, NaN where a target is hidden.
    covariance : (n, t, 2, 2) px^2.
    size : width and height of the picture, px.

    A target that moves against the others is not used from then on and has a diagnostic.
    Frames without any target get no correction, with the motion's amplitude as uncertainty; a
    film without targets gets none at all, and a diagnostic.
    """
    n, count = position.shape[:2]
    position = np.asarray(position, dtype=np.float64)
    covariance = np.asarray(covariance, dtype=np.float64)
    seen = np.isfinite(position).all(axis=2)
    if not seen.any():
        return _no_motion(n, count, size)
    centre = np.asarray(np.nanmean(position[seen], axis=0))
    used, findings = reject_moved_targets(names, position, covariance, centre)
    fit = fit_weave(used, covariance, centre)
    remaining = fit.residuals[np.isfinite(fit.residuals)]
    dark = n - np.count_nonzero(np.isfinite(used).any(axis=(1, 2)))
    if dark:
        findings.append(
            Diagnostic(
                "steady_unseen",
                f"no fixed target is seen in {dark} of {n} frames: there the picture's motion is "
                f"only known to be within {np.hypot(*fit.amplitude[:2]):.2f} px",
            )
        )
    if fit.noise > IMAGE_MOTION.misfit:
        findings.append(
            Diagnostic(
                "steady_misfit",
                f"the fixed targets scatter {fit.noise:.1f} times more than their own "
                "uncertainties once the picture is stabilised; the correction's was widened "
                "to match",
            )
        )
    return Stabilisation(
        fit.motion,
        fit.covariance,
        centre,
        fit.reference,
        fit.reference_covariance,
        float(np.sqrt(np.mean(np.sum(fit.motion[:, :2] ** 2, axis=1)))),
        float(np.sqrt(np.mean(remaining**2))) if remaining.size else float("nan"),
        fit.amplitude,
        tuple(findings),
    )


def _no_motion(frames: int, targets: int, size: tuple[int, int]) -> Stabilisation:
    """No fixed target, no correction."""
    return Stabilisation(
        np.zeros((frames, MOTION)),
        np.zeros((frames, MOTION, MOTION)),
        (np.array(size, dtype=np.float64) - 1) / 2,
        np.full((targets, 2), np.nan),
        np.full((targets, 2, 2), np.nan),
        0.0,
        float("nan"),
        np.zeros(MOTION),
        (
            Diagnostic(
                "steady_unchecked",
                "no fixed target is in view, so nothing shows whether the picture moved; paint or "
                "name two or more targets on the ground or the background",
            ),
        ),
    )


def _complex(uv: Array) -> np.ndarray[tuple[int, ...], np.dtype[np.complex128]]:
    return np.asarray(uv[..., 0] + 1j * uv[..., 1])


def _pixels(z: np.ndarray[tuple[int, ...], np.dtype[np.complex128]]) -> Array:
    return np.stack([z.real, z.imag], axis=-1)
