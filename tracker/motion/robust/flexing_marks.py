"""Marks on panels that swing or crush against their vehicle after contact: stated, and found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.core.types import MarkId
from tracker.motion.evidence import VehicleGeometry
from tracker.motion.model.residuals import without_common_errors
from tracker.motion.model.unknowns import CameraData
from tracker.motion.robust.options import ROBUST
from tracker.motion.solver.iterate import Iterate


def without_flexible(
    cam: CameraData, flexible: NDArray[np.bool_], contact: float
) -> CameraData | None:
    """A camera's data without its `flexible` marks (marks,) from `contact` (s) on; None: nothing is
    left.
    """
    after = cam.seconds + cam.zero >= contact
    measured = cam.measured_mask & ~(after[:, None] & flexible)
    if measured.all() or (measured == cam.measured_mask).all():
        return cam
    frames = measured.any(axis=1)
    marks = measured.any(axis=0)
    if not frames.any():
        return None
    grid = np.ix_(frames, marks)
    return replace(
        cam,
        seconds=cam.seconds[frames],
        frames=cam.frames[frames],
        marks=tuple(np.array(cam.marks)[marks]),
        body=cam.body[marks],
        marker=cam.marker[marks],
        place=np.where(measured[grid][..., None], cam.place[grid], 0.0),
        whitening=cam.whitening[grid],
        measured_mask=measured[grid],
        stabilisation=None if cam.stabilisation is None else cam.stabilisation[grid],
    )


def flexible_mask(cam: CameraData, vehicles: Mapping[str, VehicleGeometry]) -> NDArray[np.bool_]:
    """Marks (marks,) of a camera that are stated not to be rigid."""
    return np.array(
        [mark.marker in vehicles[mark.vehicle].flexible for mark in map(MarkId.parse, cam.marks)],
        dtype=bool,
    )


def soften_marks(iterate: Iterate, contact: float) -> Iterate:
    """The iterate with larger variances, after `contact` (s), of the marks whose residuals swing or
    drift then and didn't before; the same one if there are no more of them.

    Such a mark moves against its vehicle by a process of its own, of which neighbouring frames see
    nearly the same. Its excess variance counts by the sum of its correlations up to the first that
    isn't positive, and once for each of the vehicle's marks that do likewise, as they may be on one
    panel and swing together. A motion that follows some of them shows in the others: only those of
    a vehicle that swing most are taken at a time.
    """
    setup, excesses = iterate.setup, _excesses(iterate, contact)
    softness = iterate.softness or tuple(np.ones(on.shape) for on in iterate.inlier_masks)
    soft = [s.max(axis=0) > 1 for s in softness]
    most = np.zeros(len(setup.bodies))
    for cam, excess, known in zip(setup.cameras, excesses, soft, strict=True):
        np.maximum.at(most, cam.body, np.where(known, 0.0, excess))
    out, changed = [], bool(most.any())
    for k, (cam, excess, known) in enumerate(zip(setup.cameras, excesses, soft, strict=True)):
        least = np.maximum(ROBUST.flexing_of_most * most[cam.body], 1e-12)
        flexing = known | (excess > least)
        count = np.array([flexing[cam.body == b].sum() for b in cam.body])
        after = setup.times(iterate.values, k) >= contact
        size = np.where(flexing, excess * count, 0.0)
        out.append(np.maximum(softness[k], 1 + after[:, None] * size))
        changed |= bool((out[k] > ROBUST.flexing_growth * softness[k]).any())
    return replace(iterate, softness=tuple(out)) if changed else iterate


def _excesses(iterate: Iterate, contact: float) -> list[Array]:
    """`_excess` of each camera's marks (marks,)."""
    out = []
    for k, (lin, weight, on) in enumerate(
        zip(iterate.linearizations, iterate.weights, iterate.inlier_masks, strict=True)
    ):
        residual = without_common_errors(lin, weight)
        after = iterate.setup.times(iterate.values, k) >= contact
        size = iterate.noise[k].frame_variance
        marks = range(on.shape[1])
        out.append(np.array([_excess(residual[:, m], on[:, m], after, size[m]) for m in marks]))
    return out


def _excess(
    residual: Array, on: NDArray[np.bool_], after: NDArray[np.bool_], frame_variance: float
) -> float:
    """Variance of a slow mean that a mark's residuals (frames, 2) after contact have beyond those
    before it, over that of white noise; 0 where it is not clear.
    """
    late, early = residual[on & after], residual[on & ~after]
    if len(late) < ROBUST.flexing_frames or len(early) < ROBUST.flexing_frames:
        return 0.0
    usual = float(np.mean(early**2))
    slow = _covariance(late, 1)
    clear = ROBUST.flexing_sds * usual / np.sqrt(late.size)
    if slow - max(_covariance(early, 1), 0.0) < max(clear, ROBUST.flexing_share * usual):
        return 0.0
    total = slow
    for lag in range(1, len(late) // 2):
        more = _covariance(late, lag)
        if more <= 0:
            break
        total += 2 * more
    return total / max(frame_variance, usual)


def _covariance(values: Array, lag: int) -> float:
    """Covariance at a lag in frames, both coordinates together."""
    return float(np.mean(values[lag:] * values[:-lag]))


def flexing_warnings(iterate: Iterate) -> list[Diagnostic]:
    """Warnings that name the marks that were softened."""
    out = []
    for cam, softness in zip(iterate.setup.cameras, iterate.softness, strict=True):
        marks = [m for m, s in zip(cam.marks, softness.T, strict=True) if s.max() > 1]
        if marks:
            does = "swings or drifts" if len(marks) == 1 else "swing or drift"
            text = (
                f"{', '.join(marks)} {does} against the vehicle after contact, as marks on panels "
                "do; counted for less from contact on"
            )
            out.append(Diagnostic("mark_flexes", text, f"cameras.{cam.name}"))
    return out
