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
from tracker.motion.options import NOISE
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
    nearly the same. Its variance is that of white noise of the swing's greatest spectral density,
    and counts once for each of the vehicle's marks that do likewise, as they may be on one panel
    and swing together. A motion that follows some of them shows in the others: only those of
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
    if changed:
        return replace(iterate, softness=tuple(out))
    return _softened_together(iterate, contact, softness)


def _softened_together(iterate: Iterate, contact: float, softness: tuple[Array, ...]) -> Iterate:
    """The iterate with larger variances of marks that swing as one after contact; the same one if
    none do.

    What all marks of a vehicle in a camera do together the motion follows, if only in part: it is
    between the cameras, and each mark alone shows little. The mean over a camera's marks shows it.
    Which camera's marks are on the panel is not known, so that all of them count for less. Of two
    cameras that differ the motion takes the middle: each shows a quarter of the difference's
    variance, which is that of both of them together.
    """
    setup, out, changed = iterate.setup, list(softness), False
    for b in range(len(setup.bodies)):
        swings = []
        for k, cam in enumerate(setup.cameras):
            group = (cam.body == b) & (softness[k].max(axis=0) == 1)
            if group.any():
                swings.append((k, group, *_common_swing(iterate, k, group, contact)))
        clear = max((ratio for *_, ratio in swings), default=0.0)
        if len(swings) < 2 or clear < ROBUST.flexing_power:
            continue
        for k, group, power, _ in swings:
            after = setup.times(iterate.values, k) >= contact
            size = 2 * power * group.sum() / iterate.noise[k].frame_variance
            out[k] = np.maximum(out[k], 1 + after[:, None] * np.where(group, size, 0.0))
            changed = True
    return replace(iterate, softness=tuple(out)) if changed else iterate


def _common_swing(
    iterate: Iterate, k: int, group: NDArray[np.bool_], contact: float
) -> tuple[float, float]:
    """Greatest spectral density, as the variance of such white noise, of the mean residual after
    contact of a group (marks,) of camera k, of frequencies that panels have, and over that of the
    marks' own errors and those that a frame's marks share, which may be the swing's; 0 with few
    frames.
    """
    lin, noise = iterate.linearizations[k], iterate.noise[k]
    times = iterate.setup.times(iterate.values, k)
    residual = lin.residual[:, group]
    on = iterate.inlier_masks[k][:, group]
    shown = on.any(axis=1) & (times >= contact)
    if shown.sum() < ROBUST.flexing_frames:
        return 0.0, 0.0
    mean = np.sum(residual * on[..., None], axis=1)[shown] / on.sum(axis=1)[shown, None]
    power = np.abs(np.fft.rfft(mean, axis=0)) ** 2 / len(mean)
    step = float(np.median(np.diff(times)))
    frequency = np.fft.rfftfreq(len(mean), step)
    panels = (frequency > ROBUST.panel_slowest) & (frequency < ROBUST.panel_fastest)
    if not panels.any():
        return 0.0, 0.0
    a, turn = np.exp(-1 / NOISE.error_memory), 2 * np.pi * frequency[panels] * step
    slow = (1 - a * a) / (1 - 2 * a * np.cos(turn) + a * a)  # of a first-order autoregression
    fast = float(np.mean(noise.frame_variance[group])) * noise.variance_inflation
    own = (fast + float(np.mean(noise.correlated_variance[group])) * slow) / on[shown].sum(1).mean()
    own += _shared_variance(iterate.setup.cameras[k], group)
    return float(power[panels].max()), float((power[panels] / own[:, None]).max())


def _shared_variance(cam: CameraData, group: NDArray[np.bool_]) -> float:
    """Variance of what stabilising leaves to all marks of a frame, over that of a mark."""
    information = np.sum(cam.whitening[:, group] ** 2, axis=(2, 3)) / 2
    shared = np.full(information.shape, cam.jitter_sd**2)
    if cam.stabilisation is not None:
        shared += np.sum(cam.stabilisation[:, group] ** 2, axis=(2, 3)) / 2
    return float((information * shared)[cam.measured_mask[:, group]].mean())


def _excesses(iterate: Iterate, contact: float) -> list[Array]:
    """`_excess` of each camera's marks (marks,)."""
    out = []
    for k, (lin, weight, on) in enumerate(
        zip(iterate.linearizations, iterate.weights, iterate.inlier_masks, strict=True)
    ):
        residual = without_common_errors(lin, weight)
        after = iterate.setup.times(iterate.values, k) >= contact
        noise = iterate.noise[k]
        sizes = zip(noise.frame_variance, noise.correlated_variance, strict=True)
        each = [_excess(residual[:, m], on[:, m], after, *size) for m, size in enumerate(sizes)]
        out.append(np.array(each))
    return out


def _excess(
    residual: Array,
    on: NDArray[np.bool_],
    after: NDArray[np.bool_],
    frame_variance: float,
    correlated_variance: float,
) -> float:
    """Variance that white noise as strong as the strongest swing of a mark's residuals (frames, 2)
    after contact would have, over that of its own errors; 0 where none is clear beside those before
    contact and beside the lasting error that is allowed for anyway.
    """
    late, early = residual[on & after], residual[on & ~after]
    if len(late) < ROBUST.flexing_frames or len(early) < ROBUST.flexing_frames:
        return 0.0
    usual = float(np.mean(early**2))
    slow = _covariance(late, 1)
    clear = ROBUST.flexing_sds * usual / np.sqrt(late.size)
    if slow - max(_covariance(early, 1), 0.0) < max(clear, ROBUST.flexing_share * usual):
        return 0.0
    if slow < ROBUST.flexing_lasting * correlated_variance:
        return 0.0
    return _greatest_power(late) / max(frame_variance, usual)


def _greatest_power(values: Array) -> float:
    """Greatest spectral density of values (frames, 2), either coordinate's, as the variance that
    white noise of that density has. A panel swings at a frequency of its own: a density that is a
    mean over all frequencies would say too little of that one.
    """
    power = np.abs(np.fft.rfft(values, axis=0)) ** 2 / len(values)
    return float(power[: max(len(power) // 2, 2)].max())


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
