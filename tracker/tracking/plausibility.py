"""What may be wrong with the marks measured in a frame, and what they tell the next one. Compiled.

Masks, places and the like are those of `Look` and `State`, (n, ...) for n marks.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks.image_model import PATCH
from tracker.tracking.layout_motion import motion

Mask = NDArray[np.bool_]
_CREPT = 2.0
"""Distance in px from its place among the others at which a mark of the ground is doubted."""
WHOLE, FITS = 0.86, 1.1
"""Visible part from which, and residual over noise up to which, a measurement is sound."""
_FAINT, _VEILED = 0.2, 0.4
"""Contrast, as a share of the strongest so far, below which a mark seen whole, or in part, is
dropped."""
_HALF = 0.5
"""Visible part below which a mark is dropped: one picture alone can't tell it from what is like it.
"""
_ELSEWHERE, _BENDING = 0.3, 0.01
"""Distance in px from where sound marks put it at which a doubtful mark is dropped, and its growth
with each frame: a body's picture bends a little."""
_STALE = 60
"""Frames after which the sound marks no longer tell."""
_GAIN = 0.5
"""Share of a surprise that is taken for a change of velocity."""
_MOST = 10.0
"""px of surprise that count in its mean over the frames."""


@njit(cache=True, nogil=True, error_model="numpy")
def overlapping(place: Array, size: Array, got: Mask) -> NDArray[np.int64]:
    """Pairs (k, 2) of marks of which each lies within half the size of the other."""
    n = len(got)
    pairs, count = np.empty((n * n, 2), np.int64), 0
    for i in range(n):
        for j in range(i + 1, n):
            if got[i] and got[j]:
                away = math.hypot(place[i, 0] - place[j, 0], place[i, 1] - place[j, 1])
                if away < 0.5 * size[i] and away < 0.5 * size[j]:
                    pairs[count, 0], pairs[count, 1] = i, j
                    count += 1
    return pairs[:count]


@njit(cache=True, nogil=True, error_model="numpy")
def crept(place: Array, home: Array, ground: Mask) -> Mask:
    """Which marks of the ground have left their place among the others."""
    shift, n = shift_of(place, home, ground), len(ground)
    far = np.zeros(n, np.bool_)
    for m in range(n):
        if ground[m] and math.isfinite(home[m, 0]):
            u, v = place[m, 0] - home[m, 0] - shift[0], place[m, 1] - home[m, 1] - shift[1]
            far[m] = math.hypot(u, v) > _CREPT
    return far


@njit(cache=True, nogil=True, error_model="numpy")
def shift_of(place: Array, home: Array, ground: Mask) -> Array:
    """How far (2,) the marks of the ground have moved together from their homes; 0 without any."""
    return middle_of(place - home, ground & np.isfinite(home[:, 0]))


@njit(cache=True, nogil=True, error_model="numpy")
def middle_of(vectors: Array, which: Mask) -> Array:
    """The middle one (2,) of these vectors (n, 2) in each component, a median without averaging; 0
    without any.
    """
    out, chosen = np.zeros(2), vectors[which]
    if len(chosen):
        for k in range(2):
            out[k] = np.sort(chosen[:, k])[len(chosen) // 2]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def veiled(kinds: NDArray[np.int64], contrast: Array, strongest: Array, visible: Array) -> Mask:
    """Which marks show too little to be trusted; patches never: scanned film changes them."""
    out = np.zeros(len(kinds), np.bool_)
    for m in range(len(kinds)):
        if kinds[m] != PATCH:
            limit = _FAINT if visible[m] > WHOLE else _VEILED
            out[m] = abs(contrast[m] / strongest[m]) < limit or visible[m] < _HALF
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def misplaced(
    doubtful: Mask,
    sound: Mask,
    place: Array,
    body: NDArray[np.int64],
    frame: int,
    sound_at: NDArray[np.int64],
    sound_with: Mask,
    sound_place: Array,
) -> Mask:
    """Which doubtful marks are not where the sound ones of their body put them."""
    n = len(body)
    wrong = np.zeros(n, np.bool_)
    for m in range(n):
        since = abs(frame - sound_at[m])
        if not doubtful[m] or sound_at[m] < 0 or since > _STALE:
            continue
        mates = sound & sound_with[m] & (body == body[m])
        if np.count_nonzero(mates) < 3:
            continue
        then, linear = sound_place[m], np.eye(2)
        centre, to = motion(then[mates], place[mates], linear)
        x, y = then[m, 0] - centre[0], then[m, 1] - centre[1]
        u = place[m, 0] - to[0] - linear[0, 0] * x - linear[0, 1] * y
        v = place[m, 1] - to[1] - linear[1, 0] * x - linear[1, 1] * y
        wrong[m] = math.hypot(u, v) > _ELSEWHERE + _BENDING * since
    return wrong


@njit(cache=True, nogil=True, error_model="numpy")
def accelerated(
    velocity: Array,
    before: Array,
    place: Array,
    got: Mask,
    held: Mask,
    known: Mask,
    still: Mask,
    fixes: NDArray[np.int64],
    body: NDArray[np.int64],
    layout_held: Mask,
    dt: int,
    surprise: float,
) -> float:
    """Corrects velocities (n, 2) px a frame by where marks are, against `before`; marks that are
    hidden, or new, move as the others of their body. Returns the mean surprise, px.
    """
    n = len(got)
    fresh = got & held
    off = (place - before) / dt - velocity
    settled = np.empty(n)
    count = 0
    for m in range(n):
        if fresh[m] and fixes[m] > 1:
            settled[count] = math.hypot(off[m, 0], off[m, 1])
            count += 1
    if count:
        common = np.sort(settled[:count])[count // 2]
        surprise = 0.8 * surprise + 0.2 * min(common, _MOST)
    shake = middle_of(place - before, fresh & still) / dt
    for m in range(n):
        if fresh[m]:
            gain = 1.0 if fixes[m] < 2 else _GAIN
            velocity[m] += gain * (off[m] - shake)
    for m in range(n):
        if (got[m] or known[m]) and not fresh[m]:
            total, mates = np.zeros(2), 0
            for k in range(n):
                if fresh[k] and layout_held[m, k] and body[k] == body[m]:
                    total += velocity[k]
                    mates += 1
            if mates:
                velocity[m] = total / mates
    for m in range(n):
        if still[m]:
            velocity[m] = 0.0
    return surprise
