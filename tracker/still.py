"""Fixed targets stand still: a short excursion of one against the others is a wrong position."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tracker.follow import Followed
from tracker.values import Status
from tracker.wanted import SURVEY

SLIP = 0.5
"""px of a fixed target against the others that is no measurement noise."""
LONGEST = 25
"""Frames; a target that stays away for longer may really have been moved: not judged here."""


def without_slips(followed: Followed) -> Followed:
    """The tracks with excursions of single fixed targets hidden.

    Something that passes in front of a target can pull its fit along for some frames. A target is
    compared with its own median place, less the median excursion of all targets in that frame.
    """
    tracks = followed.tracks
    fixed = [i for i, mark in enumerate(tracks.marks) if mark.startswith(f"{SURVEY}.")]
    if len(fixed) < 3:
        return followed
    seen = np.where(tracks.measured[:, fixed, None], tracks.position[:, fixed], np.nan)
    ever = np.isfinite(seen).all(axis=2).any(axis=0)
    frames = np.isfinite(seen).all(axis=2).sum(axis=1) >= 3
    if not ever.any() or not frames.any():
        return followed
    away = np.full_like(seen, np.nan)
    away[:, ever] = seen[:, ever] - np.nanmedian(seen[:, ever], axis=0)
    away[frames] -= np.nanmedian(away[frames], axis=1, keepdims=True)
    slipped = (np.hypot(away[..., 0], away[..., 1]) > SLIP) & frames[:, None]
    slipped &= tracks.status[:, fixed] != Status.EDITED
    for column in range(len(fixed)):
        slipped[:, column] = _short_runs(slipped[:, column])
    if not slipped.any():
        return followed
    hidden = np.zeros(tracks.status.shape, bool)
    hidden[:, fixed] = slipped
    position = np.where(hidden[..., None], np.nan, tracks.position)
    status = np.where(hidden, np.int8(Status.HIDDEN), tracks.status)
    return replace(followed, tracks=replace(tracks, position=position, status=status))


def _short_runs(on: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Only those runs of True that are at most `LONGEST` long."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    out = np.zeros_like(on)
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        out[start:end] = end - start <= LONGEST
    return out
