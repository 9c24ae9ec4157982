"""One frame on: predict, measure, verify, hide, take up again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.film import Luma
from tracker.tracking import correlation_search, plausibility
from tracker.tracking.frame_measurement import Look
from tracker.tracking.layout_motion import carry
from tracker.tracking.state import Mask, State

_UNSTEADY = 1.0
"""Mean surprise in px from which every frame is searched before it is measured."""
_FRESH = 8
"""Frames after which a mark's picture is taken anew."""
_SAME = 0.4
"""Predictions closer than this, px, need not both be tried."""
_PATIENCE = 300
"""Frames of hiding after which a mark is looked for less often..."""
_SELDOM = 5
"""...in one of so many frames."""


@dataclass(frozen=True)
class Seen:
    """What one frame showed of n marks; NaN where not got."""

    got: Mask  # (n,)
    place: Array  # (n, 2) px
    covariance: Array  # (n, 2, 2) px²
    ratio: Array  # (n,)
    contrast: Array  # (n,)
    visible: Array  # (n,)
    again: Mask  # (n,) got for the first time after hiding


def step(state: State, frame: int, luma: Luma, wanted: Mask, given: Array) -> Seen:
    """Take the state to the next frame.

    `wanted` (n,): the marks to be measured. `given` (n, 2): places known already, NaN where not;
    they help to predict the others.
    """
    dt = max(abs(frame - state.frame), 1)
    state.frame = frame
    before = state.held.copy()
    guess = state.place + state.velocity * dt
    look = Look(state, luma, dt)
    known = np.isfinite(given[:, 0])
    look.take(known, given)
    wanted = wanted & state.known & ~known
    now = wanted & state.held
    if state.surprise > _UNSTEADY:
        guess, _ = look.sought(now, guess)
    look.measure(now, guess)
    look.doubt(now, guess)
    missing = state.known & ~look.got
    if missing.any():
        state.remember(missing & state.held)
        tried, guess = guess, _by_body(state, look, missing, guess)
        rest = wanted & missing & ((state.gap < _PATIENCE) | (frame % _SELDOM == 0))
        look.measure(rest & now & _differ(guess, tried), guess)
        place, found = look.sought(rest & ~look.got, guess)
        look.measure(found & (~now | _differ(place, guess)), place)
    look.part(guess, wanted)
    look.strayed(wanted)
    look.veiled(wanted)
    look.misplaced(wanted)
    _update(state, look, guess, dt)
    own = look.got & ~known
    return Seen(
        got=own,
        place=np.where(own[:, None], look.place, np.nan),
        covariance=look.covariance,
        ratio=look.ratio,
        contrast=look.contrast,
        visible=look.visible,
        again=own & ~before,
    )


def _differ(one: Array, other: Array) -> Mask:
    """Whether two predictions are so far apart that a fit may end elsewhere."""
    return np.asarray(np.hypot(*(one - other).T) > _SAME)


def _by_body(state: State, look: Look, missing: Mask, guess: Array) -> Array:
    """Where the other marks of each body say that the missing ones must be."""
    guess = guess.copy()
    shift = _shake(state, look)
    for m in np.flatnonzero(missing).tolist():
        mates = np.flatnonzero(state.mates(m, look.got))
        if len(mates):
            old = state.layout[m]
            turn = state.turned(m, int(mates[0])) if len(mates) == 1 else None
            place, state.turn[m] = carry(old[mates], look.place[mates], old[m][None], turn)
            guess[m] = place[0]
        else:
            guess[m] += shift
    return guess


def _shake(state: State, look: Look) -> Array:
    """Common motion of the ground's marks since the last frame, px."""
    ground = look.got & state.still & state.held
    return plausibility.middle_of(look.place - state.place, ground)


def _update(state: State, look: Look, guess: Array, dt: int) -> None:
    got = look.got
    state.surprise = plausibility.accelerated(
        state.velocity, state.place, look.place, got, state.held, state.known, state.still,
        state.fixes, state.body, state.layout_held, dt, state.surprise,
    )  # fmt: skip
    state.place = np.where(got[:, None], look.place, guess)
    state.fixes += got
    state.gap = np.where(got, 0, state.gap + dt)
    state.held = got.copy()
    state.turn[got] = np.eye(2)
    old = got & state.known & (np.abs(state.frame - state.patched) >= _FRESH)
    for m in np.flatnonzero(old & (look.visible > 0.85)).tolist():
        patch = correlation_search.cut(look.luma, look.place[m], state.size[m])
        if patch is not None:
            state.patches[m], state.patched[m] = patch, state.frame
