"""Robust weights, outlier rejection and the noise of marks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model import correlated_errors, mark_noise
from tracker.motion.model.correlated_errors import ErrorChain
from tracker.motion.model.mark_noise import Noise
from tracker.motion.model.residuals import (
    CameraEquations,
    Linearization,
    dof_of_common_errors,
    estimate_error_states,
    leverage,
    without_common_errors,
)
from tracker.motion.model.unknowns import COMPONENTS, CameraData, Setup
from tracker.motion.options import NOISE
from tracker.motion.robust.options import ROBUST
from tracker.motion.solver.iterate import Iterate
from tracker.motion.solver.linearization import NormalEquations
from tracker.motion.solver.sparse_step import BlockCovariance

_MEDIAN = 2 * np.log(2.0)
"""Median of chi-square with two degrees of freedom."""


@dataclass(frozen=True)
class Rejected:
    """A mark that was left out. `frame` None: in every frame, its place in the survey is wrong or
    it is another mark.
    """

    camera: str
    mark: str
    frame: int | None


def squared_distances(lin: Linearization, weight: Array) -> Array:
    """Squared distance (frames, marks) of each mark from its prediction, in its own sds, the
    frame's common motion taken out; NaN where there is no mark.
    """
    r = without_common_errors(lin, weight)
    return np.where(lin.usable_mask, np.sum(r * r, axis=2), np.nan)


def variance_factor(square: Array) -> float:
    """Variance factor of the better half of the marks: robust against up to half wrong ones."""
    return float(np.nanmedian(square) / _MEDIAN) if np.isfinite(square).any() else 1.0


def student_weights(square: Array, factor: float) -> Array:
    """Weights (frames, marks) of a Student t with two-dimensional residuals (Lange, Little &
    Taylor 1989); 0 where there is no mark.
    """
    dof = ROBUST.student_dof
    weight = (dof + 2) / (dof + square / factor)
    return np.where(np.isfinite(square), weight, 0.0)


def inlier_mask(square: Array, factor: float) -> NDArray[np.bool_]:
    """Marks (frames, marks) within `ROBUST.reject_sds`, and of a marker that mostly is."""
    fine = np.isfinite(square) & (np.nan_to_num(square) <= ROBUST.reject_sds**2 * factor)
    there = np.isfinite(square).sum(axis=0)
    wrong = fine.sum(axis=0) < ROBUST.persistent_share * there
    return np.asarray(fine & ~wrong)


def rejections(iterate: Iterate) -> tuple[Rejected, ...]:
    """The marks left out, those out in every frame named once."""
    out = []
    for lin, on in zip(iterate.linearizations, iterate.inlier_masks, strict=True):
        cam = iterate.setup.cameras[lin.camera_index]
        for m, mark in enumerate(cam.marks):
            bad = lin.usable_mask[:, m] & ~on[:, m]
            if bad.any() and not on[:, m].any():
                out.append(Rejected(cam.name, mark, None))
            else:
                out += [Rejected(cam.name, mark, int(cam.frames[f])) for f in np.flatnonzero(bad)]
    return tuple(out)


def capped_variance(total: Array) -> Array:
    """Variances (marks,) by which marks are judged. One that scatters far more than the others may
    not be the mark it is named.
    """
    usual = float(np.median(total)) if len(total) else 1.0
    return np.asarray(np.minimum(total, ROBUST.variance_cap * usual))


def update_mark_noise(
    iterate: Iterate, normal: NormalEquations, block_covariance: BlockCovariance
) -> tuple[tuple[Noise, ...], float]:
    """Each camera's noise as its residuals show it, and the greatest change (natural logarithm) of
    the noise that a slow motion meets.

    `normal` are the equations that the step before rested on, `block_covariance` the posterior
    covariance there.
    """
    setup, out, most = iterate.setup, [], 0.0
    masks = iterate.inlier_masks
    if iterate.softness:  # what swings shows nothing of a mark's own errors
        masks = tuple(on & (s == 1) for on, s in zip(masks, iterate.softness, strict=True))
    parts = zip(iterate.linearizations, iterate.weights, masks, iterate.noise, strict=True)
    for k, (lin, weight, on, old) in enumerate(parts):
        camera, (own, beside) = normal.cameras[k], block_covariance.error_states[k]
        covariance = block_covariance.covariance
        if not np.array_equal(camera.here, np.arange(setup.count)):
            covariance = covariance[np.ix_(camera.here, camera.here)]
        used_dof = np.sum(leverage(setup, lin, on, covariance) * weight, axis=0)
        # of what marks share, none is a single mark's
        whole = float(np.vdot(covariance, camera.matrix)) - _dof_of_error_states(
            camera, own, beside
        )
        used_dof *= whole / max(float(used_dof.sum()), 1e-12)
        used_dof += dof_of_common_errors(lin, weight).sum(axis=0)
        residual = without_common_errors(lin, weight)
        error_states = np.zeros_like(residual)
        roughness = known = np.zeros(len(old.correlated_variance))
        if own.size:
            knots = setup.cameras[lin.camera_index].error_chain
            values, _ = estimate_error_states(setup, lin, weight, old)
            error_states = correlated_errors.interpolate(knots, values)
            roughness, known = _error_moments(knots, values, old.correlated_variance, own, beside)
        free_motion_share = _free_motion_share(setup, lin.camera_index, on)
        new = mark_noise.update_noise(
            old, residual, error_states, on, used_dof + known, free_motion_share, roughness, known
        )
        if (old.correlated_variance <= old.correlated_floor).all() and not old.lag_one:
            share = mark_noise.correlated_share(
                residual / np.sqrt(old.frame_variance)[:, None], on, free_motion_share
            )
            new = mark_noise.with_correlated_share(new, share) if share else new
        out.append(new)
        sizes = [
            n.frame_variance * n.variance_inflation + 2 * NOISE.error_memory * n.correlated_variance
            for n in (new, old)
        ]
        most = max(most, float(np.abs(np.log(np.mean(sizes[0]) / np.mean(sizes[1])))))
    return tuple(out), most


def _dof_of_error_states(camera: CameraEquations, own: Array, beside: Array) -> float:
    """Of the degrees of freedom that the motion takes from a camera's marks, those that error
    states have taken already: by how much the motion's uncertainty widens theirs.
    """
    if not own.size:
        return 0.0
    alone, next_to = correlated_errors.inverse_band(camera.factor)
    diagonal, link = correlated_errors.normal_matrix(camera.factor)
    wider = np.sum(diagonal * (own - 2 * alone)) + 2 * np.sum(link * (beside - 2 * next_to))
    return float(wider)


def _error_moments(
    knots: ErrorChain, values: Array, correlated_variance: Array, own: Array, beside: Array
) -> tuple[Array, Array]:
    """Sum of squares (marks,) of each mark's error states, in prior sds, and how many of them the
    evidence determines. `values` (marks, 2, knots) have the variances `own` and, with the next, the
    covariances `beside` (`BlockCovariance.error_states`).
    """
    diagonal, link = knots.prior
    square = np.sum(values**2 @ diagonal, axis=1)
    square += 2 * link * np.sum(values[..., 1:] * values[..., :-1], axis=(1, 2))
    remaining = own @ diagonal + 2 * link * np.sum(beside, axis=1)
    on = correlated_variance > 0
    size = np.where(on, correlated_variance, 1.0)
    known = np.maximum(2 * knots.count - remaining / size, 0.0)
    return np.where(on, square / size, 0.0), np.where(on, known, 0.0)


def _free_motion_share(setup: Setup, camera: int, on: NDArray[np.bool_]) -> float:
    """Share of the coordinates of a camera's marks that free motions of the bodies take."""
    cam = setup.cameras[camera]
    shares = []
    for b in np.unique(cam.body):
        seen = sum(
            float(other.measured_mask[:, other.body == b].sum()) / max(len(other.frames), 1)
            for other in setup.cameras
        )
        shares.append(
            (min(COMPONENTS / max(2 * seen, 1.0), 1.0), float(on[:, cam.body == b].sum()))
        )
    weight = sum(n for _, n in shares)
    return float(
        np.clip(
            sum(s * n for s, n in shares) / max(weight, 1.0),
            NOISE.least_motion_share,
            NOISE.most_motion_share,
        )
    )


def common_jitter(cam: CameraData, lin: Linearization, on: NDArray[np.bool_]) -> float:
    """Sd (px) of a shift common to a frame's marks, beyond the errors of stabilisation.

    It comes from the products of residuals of different marks in a frame, which independent errors
    average to zero. 0 where it matters little beside the marks' own errors, or with too few marks.
    """
    pixels = np.linalg.solve(cam.whitening, lin.residual[..., None])[..., 0] * on[..., None]
    marks = on.sum(axis=1)
    pairs = float(np.sum(marks * (marks - 1)))
    if pairs < ROBUST.jitter_pairs:
        return 0.0
    product = _pairs(np.asarray(pixels[..., None], dtype=np.float64))
    if cam.stabilisation is not None:
        product -= _pairs(cam.stabilisation * on[..., None, None])
    common = product / (2 * pairs)
    alone = float(np.sum(pixels**2)) / (2 * on.sum()) - common
    matters = common * pairs / marks.sum() > ROBUST.jitter_share * max(alone, 1e-12)
    return float(np.sqrt(common)) if matters and common > ROBUST.jitter_least else 0.0


def _pairs(values: Array) -> float:
    """Sum over frames and ordered pairs of different marks of products of values (f, m, 2, k)."""
    whole = values.sum(axis=1)
    return float(np.sum(whole * whole) - np.sum(values * values))
