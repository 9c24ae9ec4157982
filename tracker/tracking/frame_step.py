"""One frame on: predict, measure, reject, hide, reacquire."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.film import Luma
from tracker.tracking import plausibility
from tracker.tracking.frame_measurement import FrameMeasurement
from tracker.tracking.layout_motion import carry_points
from tracker.tracking.options import TRACKING
from tracker.tracking.plausibility import Mask
from tracker.tracking.reacquisition import reacquire
from tracker.tracking.state import TrackingState


@dataclass(frozen=True)
class FrameResult:
    """What one frame showed of n marks; NaN where not got."""

    got_mask: Mask  # (n,)
    place: Array  # (n, 2) px
    covariance: Array  # (n, 2, 2) px²
    ratio: Array  # (n,)
    contrast: Array  # (n,)
    visible: Array  # (n,)
    reacquired_mask: Mask  # (n,) got for the first time after hiding


def track_frame(
    state: TrackingState, frame: int, luma: Luma, wanted_mask: Mask, given: Array
) -> FrameResult:
    """Take the state to the next frame.

    `wanted_mask` (n,): the marks to be measured. `given` (n, 2): places known already, NaN where
    not; they help to predict the others.
    """
    dt = max(abs(frame - state.frame), 1)
    state.frame = frame
    motion = state.motion
    measured_before = motion.measured_mask.copy()
    guess = motion.place + motion.velocity * dt
    seen = FrameMeasurement(state, luma, dt)
    given_mask = np.isfinite(given[:, 0])
    seen.accept_given(given_mask, given)
    wanted_mask = wanted_mask & motion.known_mask & ~given_mask
    expected_mask = wanted_mask & motion.measured_mask
    if motion.innovation > TRACKING.search_first:
        guess, _ = reacquire(seen, expected_mask, guess)
    seen.measure(expected_mask, guess)
    seen.reject_inconsistent(expected_mask, guess)
    missing_mask = motion.known_mask & ~seen.got_mask
    if missing_mask.any():
        guess = _seek_missing(seen, guess, missing_mask, wanted_mask)
    seen.resolve_overlaps(guess, wanted_mask)
    seen.reject_drifted(wanted_mask)
    seen.reject_occluded(wanted_mask)
    seen.reject_off_layout(wanted_mask)
    vanished_mask = motion.known_mask & motion.measured_mask & ~seen.got_mask
    state.last_seen.store(vanished_mask, motion, state.appearance.affine)  # the rejected ones, too
    _advance(seen, guess)
    own = seen.got_mask & ~given_mask
    return FrameResult(
        got_mask=own,
        place=np.where(own[:, None], seen.place, np.nan),
        covariance=seen.covariance,
        ratio=seen.ratio,
        contrast=seen.contrast,
        visible=seen.visible,
        reacquired_mask=own & ~measured_before,
    )


def _seek_missing(
    seen: FrameMeasurement, guess: Array, missing_mask: Mask, wanted_mask: Mask
) -> Array:
    """Measure marks that aren't where their own motion put them where their body's other marks
    do, or where a coarse search finds them. Returns the places (n, 2) px predicted so.
    """
    state, motion = seen.state, seen.state.motion
    measured = motion.measured_mask
    state.last_seen.store(missing_mask & measured, motion, state.appearance.affine)
    tried, guess = guess, _places_by_body(seen, missing_mask, guess)
    late = state.frame % TRACKING.late_interval == 0
    rest = wanted_mask & missing_mask & ((motion.frames_hidden < TRACKING.patience) | late)
    seen.measure(rest & measured & _is_elsewhere(guess, tried), guess)
    place, found = reacquire(seen, rest & ~seen.got_mask, guess)
    seen.measure(found & (~(wanted_mask & measured) | _is_elsewhere(place, guess)), place)
    return guess


def _is_elsewhere(one: Array, other: Array) -> Mask:
    """Whether two predictions are so far apart that a fit may end elsewhere."""
    return np.asarray(np.hypot(*(one - other).T) > TRACKING.same_place)


def _places_by_body(seen: FrameMeasurement, missing_mask: Mask, guess: Array) -> Array:
    """Where the other marks of each body say that the missing ones must be; the rest as `guess`."""
    guess, state = guess.copy(), seen.state
    ground = seen.got_mask & state.marks.ground_mask & state.motion.measured_mask
    shake = plausibility.upper_median(seen.place - state.motion.place, ground)
    for m in np.flatnonzero(missing_mask).tolist():
        mates = np.flatnonzero(state.mates_mask(m, seen.got_mask)).tolist()
        if mates:
            old = state.last_seen.place[m]
            turn = state.turn_since_seen(m, mates)
            place, state.last_seen.turn[m] = carry_points(
                old[mates], seen.place[mates], old[m][None], turn
            )
            guess[m] = place[0]
        else:
            guess[m] += shake
    return guess


def _advance(seen: FrameMeasurement, guess: Array) -> None:
    """Take what the frame showed into the state."""
    state, motion, got = seen.state, seen.state.motion, seen.got_mask
    state.correct_velocity(seen.place, got, seen.dt)
    motion.place = np.where(got[:, None], seen.place, guess)
    motion.fix_count += got
    motion.frames_hidden = np.where(got, 0, motion.frames_hidden + seen.dt)
    motion.measured_mask = got.copy()
    state.last_seen.turn[got] = np.eye(2)
    age = np.abs(state.frame - state.appearance.picture_frame)
    old = got & motion.known_mask & (age >= TRACKING.reference_interval)
    for m in np.flatnonzero(old & (seen.visible > TRACKING.reference_visible)).tolist():
        state.appearance.cut_picture(m, seen.luma, seen.place[m], state.frame)
