"""Which marks measured in a frame can't be right, and how the others correct velocities. Compiled.

Masks, places and the like are those of `FrameMeasurement` and `TrackingState`, (n, ...) for n
marks.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks.parameters import PATCH
from tracker.tracking.layout_motion import fit_layout_motion
from tracker.tracking.options import TRACKING

Mask = NDArray[np.bool_]

_DRIFTED = TRACKING.drifted
_WHOLE = TRACKING.whole_visible
_FAINT_WHOLE, _FAINT_IN_PART = TRACKING.faint_whole, TRACKING.faint_in_part
_LEAST_VISIBLE = TRACKING.least_visible
_OFF_LAYOUT, _OFF_LAYOUT_GROWTH = TRACKING.off_layout, TRACKING.off_layout_growth
_OFF_LAYOUT_MISFIT = TRACKING.off_layout_misfit
_MEMORY = TRACKING.off_layout_memory
_GAIN = TRACKING.velocity_gain
_SHARE, _CAP = TRACKING.innovation_share, TRACKING.innovation_cap
_OVERLAP = TRACKING.overlap
_LAYOUT_MARKS = 3
"""Marks that determine where another one of their body must be."""


class ReliablePlaces(NamedTuple):
    """Where all n marks were when each of them was last measured reliably."""

    frame: NDArray[np.int64]  # (n,) -1 where never
    together_mask: Mask  # (n, n) which others were reliable then
    place: Array  # (n, n, 2) px


class MotionBefore(NamedTuple):
    """n marks before a frame is measured; velocities in px a frame."""

    velocity: Array  # (n, 2)
    place: Array  # (n, 2) px
    measured_mask: Mask  # (n,) measured in the frame before
    known_mask: Mask  # (n,)
    fix_count: NDArray[np.int64]  # (n,)
    body: NDArray[np.int64]  # (n,)
    ground_mask: Mask  # (n,)
    mates_mask: Mask  # (n, n) which others were measured when each was last seen


@njit(cache=True, nogil=True, error_model="numpy")
def overlapping_pairs(place: Array, size: Array, got_mask: Mask) -> NDArray[np.int64]:
    """Pairs (k, 2) of marks of which each lies within half the size of the other."""
    n = len(got_mask)
    pairs, count = np.empty((n * n, 2), np.int64), 0
    for i in range(n):
        for j in range(i + 1, n):
            if got_mask[i] and got_mask[j]:
                away = math.hypot(place[i, 0] - place[j, 0], place[i, 1] - place[j, 1])
                if away < _OVERLAP * size[i] and away < _OVERLAP * size[j]:
                    pairs[count, 0], pairs[count, 1] = i, j
                    count += 1
    return pairs[:count]


@njit(cache=True, nogil=True, error_model="numpy")
def drifted_mask(place: Array, home: Array, ground_mask: Mask) -> Mask:
    """Which marks of the ground have left their place among the others."""
    shift, n = common_shift(place, home, ground_mask), len(ground_mask)
    far = np.zeros(n, np.bool_)
    for m in range(n):
        if ground_mask[m] and math.isfinite(home[m, 0]):
            u, v = place[m, 0] - home[m, 0] - shift[0], place[m, 1] - home[m, 1] - shift[1]
            far[m] = math.hypot(u, v) > _DRIFTED
    return far


@njit(cache=True, nogil=True, error_model="numpy")
def common_shift(place: Array, home: Array, ground_mask: Mask) -> Array:
    """How far (2,) the marks of the ground have moved together from their homes; 0 without any."""
    return upper_median(place - home, ground_mask & np.isfinite(home[:, 0]))


@njit(cache=True, nogil=True, error_model="numpy")
def upper_median(vectors: Array, which: Mask) -> Array:
    """The upper median (2,) of these vectors (n, 2) in each component; 0 without any."""
    out, chosen = np.zeros(2), vectors[which]
    if len(chosen):
        for k in range(2):
            out[k] = np.sort(chosen[:, k])[len(chosen) // 2]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def occluded_mask(
    kinds: NDArray[np.int64], contrast: Array, strongest: Array, visible: Array
) -> Mask:
    """Which marks show too little to be believed; patches never: scanned film changes them."""
    out = np.zeros(len(kinds), np.bool_)
    for m in range(len(kinds)):
        if kinds[m] != PATCH:
            limit = _FAINT_WHOLE if visible[m] > _WHOLE else _FAINT_IN_PART
            out[m] = abs(contrast[m] / strongest[m]) < limit or visible[m] < _LEAST_VISIBLE
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def off_layout_mask(
    doubtful_mask: Mask,
    reliable_mask: Mask,
    place: Array,
    body: NDArray[np.int64],
    frame: int,
    memory: ReliablePlaces,
) -> Mask:
    """Which doubtful marks are not where the reliable ones of their body put them."""
    n = len(body)
    wrong = np.zeros(n, np.bool_)
    for m in range(n):
        since = abs(frame - memory.frame[m])
        if not doubtful_mask[m] or memory.frame[m] < 0 or since > _MEMORY:
            continue
        mates = reliable_mask & memory.together_mask[m] & (body == body[m])
        count = int(np.count_nonzero(mates))
        if count < _LAYOUT_MARKS:
            continue
        then, linear = memory.place[m], np.eye(2)
        centre, to = fit_layout_motion(then[mates], place[mates], linear)
        misfit = 0.0
        for k in np.flatnonzero(mates):
            misfit += _distance(then[k] - centre, place[k] - to, linear) ** 2
        misfit = math.sqrt(misfit / max(count - _LAYOUT_MARKS, 1))
        limit = _OFF_LAYOUT + _OFF_LAYOUT_GROWTH * since + _OFF_LAYOUT_MISFIT * misfit
        wrong[m] = _distance(then[m] - centre, place[m] - to, linear) > limit
    return wrong


@njit(cache=True, nogil=True, error_model="numpy")
def _distance(before: Array, after: Array, linear: Array) -> float:
    """How far `after` (2,) px is from where a linear map (2, 2) takes `before`."""
    u = after[0] - linear[0, 0] * before[0] - linear[0, 1] * before[1]
    v = after[1] - linear[1, 0] * before[0] - linear[1, 1] * before[1]
    return math.hypot(u, v)


@njit(cache=True, nogil=True, error_model="numpy")
def corrected_velocity(
    before: MotionBefore, place: Array, got_mask: Mask, dt: int, innovation: float
) -> tuple[Array, float]:
    """Velocities (n, 2) px a frame corrected by where marks are now; marks that are hidden, or new,
    move as the others of their body. With them the mean innovation, px, that was `innovation`.
    """
    n = len(got_mask)
    velocity, body, fix_count = before.velocity.copy(), before.body, before.fix_count
    fresh = got_mask & before.measured_mask
    off = (place - before.place) / dt - velocity
    distances = np.empty(n)
    count = 0
    for m in range(n):
        if fresh[m] and fix_count[m] > 1:
            distances[count] = math.hypot(off[m, 0], off[m, 1])
            count += 1
    if count:
        common = np.sort(distances[:count])[count // 2]
        innovation = (1.0 - _SHARE) * innovation + _SHARE * min(common, _CAP)
    shake = upper_median(place - before.place, fresh & before.ground_mask) / dt
    for m in range(n):
        if fresh[m]:
            gain = 1.0 if fix_count[m] < 2 else _GAIN
            velocity[m] += gain * (off[m] - shake)
    for m in range(n):
        if (got_mask[m] or before.known_mask[m]) and not fresh[m]:
            total, mates = np.zeros(2), 0
            for k in range(n):
                if fresh[k] and before.mates_mask[m, k] and body[k] == body[m]:
                    total += velocity[k]
                    mates += 1
            if mates:
                velocity[m] = total / mates
    for m in range(n):
        if before.ground_mask[m]:
            velocity[m] = 0.0
    return velocity, innovation
