"""Fixed targets don't move: a short excursion of one against the others is a wrong position."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, mask_runs
from tracker.camera.options import CAMERA
from tracker.core.types import Status
from tracker.tracking import TrackingResult


def reject_slips(followed: TrackingResult) -> TrackingResult:
    """The tracks with excursions of single fixed targets hidden.

    Something that passes in front of a target can displace its fit for some frames. A target is
    compared with its own median place, less what all targets do together in that frame.
    """
    tracks = followed.tracks
    fixed = [i for i, mark in enumerate(tracks.marks) if mark.is_fixed]
    if len(fixed) < 3:
        return followed
    seen = np.where(tracks.measured_mask[:, fixed, None], tracks.position[:, fixed], np.nan)
    ever = np.isfinite(seen).all(axis=2).any(axis=0)
    frames = np.isfinite(seen).all(axis=2).sum(axis=1) >= 3
    if not ever.any() or not frames.any():
        return followed
    away = np.full_like(seen, np.nan)
    place = np.full(seen.shape[1:], np.nan)
    place[ever] = np.nanmedian(seen[:, ever], axis=0)
    away[:, ever] = seen[:, ever] - place[ever]
    away[frames] = _relative_excursions(away[frames], place)
    slipped = (np.hypot(away[..., 0], away[..., 1]) > CAMERA.slip_px) & frames[:, None]
    slipped &= tracks.status[:, fixed] != Status.EDITED
    for column in range(len(fixed)):
        slipped[:, column] = _short_run_mask(slipped[:, column])
    if not slipped.any():
        return followed
    hidden = np.zeros(tracks.status.shape, bool)
    hidden[:, fixed] = slipped
    position = np.where(hidden[..., None], np.nan, tracks.position)
    status = np.where(hidden, np.int8(Status.HIDDEN), tracks.status)
    return replace(followed, tracks=replace(tracks, position=position, status=status))


def _relative_excursions(away: Array, place: Array) -> Array:
    """Excursions (frames, n, 2) less the picture's common shift and, from four targets on, turn and
    change of scale about their `place` (n, 2); a few targets that don't follow have little weight.
    """
    z, at = away[..., 0] + 1j * away[..., 1], place[:, 0] + 1j * place[:, 1]
    at = np.where(np.isfinite(at), at - np.nanmean(at), 0.0)
    known = np.isfinite(z)
    shift = np.nanmedian(away, axis=1) @ [1, 1j]
    turn = np.zeros_like(shift)
    many = known.sum(axis=1) >= 4
    for k in range(CAMERA.slip_rounds if many.any() else 0):
        usual = max(CAMERA.slip_usual_px, 2.0**-k)
        residual = np.where(known, z - shift[:, None] - turn[:, None] * at, 0.0)
        weight = known / (1 + (np.abs(residual) / usual) ** 2)
        total = weight.sum(axis=1)
        middle = (weight * at).sum(axis=1) / total
        offset = at - middle[:, None]
        goal = np.where(known, z, 0.0)
        mean = (weight * goal).sum(axis=1) / total
        fitted = (weight * np.conj(offset) * (goal - mean[:, None])).sum(axis=1)
        fitted = fitted / np.maximum((weight * np.abs(offset) ** 2).sum(axis=1), 1e-9)
        turn = np.where(many, fitted, 0.0)
        shift = np.where(many, mean - turn * middle, shift)
    residual = z - shift[:, None] - turn[:, None] * at
    return np.stack([residual.real, residual.imag], axis=-1)


def _short_run_mask(on: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Only those runs of True that are at most `slip_frames` long."""
    out = np.zeros_like(on)
    for start, end in mask_runs(on):
        out[start:end] = end - start <= CAMERA.slip_frames
    return out
