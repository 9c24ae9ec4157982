"""Marks that are not where they were expected, sought by correlation with their last pictures."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.tracking.correlation_search import (
    Reach,
    best_shift,
    common_score,
    correlation_map,
    rival_score,
    turn_picture,
)
from tracker.tracking.frame_measurement import FrameMeasurement
from tracker.tracking.options import TRACKING
from tracker.tracking.plausibility import Mask

_NO_SHIFT = np.zeros(2)
_AGREEING = 2
"""Marks that must agree on a common shift, besides half of all."""


def reacquire(seen: FrameMeasurement, which: Mask, guess: Array) -> tuple[Array, Mask]:
    """Better guesses (n, 2) px by coarse search, and which marks it found.

    A mark is sought round where the mates that are seen say it must be, each for itself; marks of a
    body of which nothing is seen are sought together, by a common shift. Marks of which there is no
    picture, always too near to the edge, count as found where they are expected.
    """
    guess, found = guess.copy(), np.zeros_like(seen.got_mask)
    body, pictures = seen.state.marks.body, seen.state.appearance.pictures
    for b in np.unique(body[which]):
        mine = np.flatnonzero(which & (body == b)).tolist()
        pictured = [m for m in mine if pictures[m] is not None]
        guided = [m for m in pictured if seen.state.mates_mask(m, seen.got_mask).any()]
        for m in guided:
            reach = _reach_by_mates(seen, m, guess)
            score = _score(seen, m, guess[m], reach)
            shift, value = best_shift(score, reach, _NO_SHIFT, reach)
            if value > TRACKING.correlated:
                guess[m] += shift
                found[m] = True
        found[[m for m in mine if m not in pictured]] = True
        together = [m for m in pictured if m not in guided]
        if together:
            _reacquire_body(seen, together, guess, found)
    return guess, found


def _reacquire_body(seen: FrameMeasurement, marks: list[int], guess: Array, found: Mask) -> None:
    """Seek by a common shift, and each mark near it for itself: bodies turn unseen too.

    Half of the marks, at least two, must agree on it, and on no other as well: marks of an even
    layout are found one place off too, all but those at its edge. Else a mark is found only so near
    to its place that it can't be another.
    """
    state = seen.state
    hidden = int(min(state.motion.frames_hidden[m] for m in marks))
    if hidden > TRACKING.body_interval_after and state.frame % TRACKING.body_interval:
        return
    velocity = np.mean(state.motion.velocity[marks], axis=0)
    spacing = min(_distance_to_like(seen, m, guess) for m in marks)
    counted = min(spacing, TRACKING.spacing_most)
    near = int(
        min(
            TRACKING.spread + TRACKING.spread_growth * hidden,
            max(TRACKING.spread_least, TRACKING.spread_share * counted),
        )
    )
    centre, reach = _body_reach(seen, velocity, hidden, marks, near)
    scores = [_score(seen, m, guess[m] + centre, reach) for m in marks]
    agreed = common_score(scores, near)
    common, best = best_shift(agreed, reach, -centre, (2 * reach[0], 2 * reach[1]))
    shifts = [best_shift(score, reach, common, near) for score in scores]
    agree = [value > TRACKING.correlated for _, value in shifts]
    # beyond the plateau that `near` gives the best shift
    apart = max(2.0 * near + TRACKING.rival_apart, TRACKING.rival_share * counted)
    lead = len(marks) * (best - rival_score(agreed, reach, common, apart))
    alone = _unseen_way(velocity, hidden) < TRACKING.own_share * spacing
    own_place = alone and np.hypot(*(common + centre)) < TRACKING.own_share * spacing
    wanted = TRACKING.lead if all(agree) else TRACKING.lead_in_part
    sure = sum(agree) >= max(_AGREEING, len(marks) / 2) and (lead > wanted or own_place)
    for m, (shift, _), own in zip(marks, shifts, agree, strict=True):
        like = TRACKING.own_share * _distance_to_like(seen, m, guess)
        if sure:
            guess[m] += centre + (shift if own else common)
            found[m] = own
        elif own and alone and np.hypot(*(centre + shift)) < like:
            guess[m] += centre + shift
            found[m] = True


def _unseen_way(velocity: Array, hidden: int) -> float:
    """How far, px, a body may be from its prediction after a number of hidden frames."""
    stopped = float(np.hypot(*velocity)) * hidden * min(hidden / TRACKING.stopping_frames, 1.0)
    return min(stopped, 0.5 * TRACKING.body_reach_most) + TRACKING.unseen_drift * hidden


def _body_reach(
    seen: FrameMeasurement, velocity: Array, hidden: int, marks: list[int], near: int
) -> tuple[Array, Reach]:
    """Where to search for a body of which nothing is seen: the middle (2,) px of the shifts from
    its prediction, and the reach round it. It may have stopped since.
    """
    motion, ground = seen.state.motion, seen.state.marks.ground_mask
    back = -velocity * hidden
    fresh = any(
        motion.measured_mask[m] and motion.fix_count[m] < 2 and not ground[m] for m in marks
    )
    margin = (
        TRACKING.body_reach
        + TRACKING.body_reach_speed * float(np.hypot(*velocity))
        + TRACKING.body_reach_growth * hidden
    )
    if fresh:
        margin = TRACKING.body_reach_fresh + float(np.max(seen.state.appearance.size[marks]))
    margin = min(margin, TRACKING.body_reach_most) + near
    half = np.minimum(0.5 * np.abs(back), TRACKING.body_way_most)
    centre = np.sign(back) * np.rint(half)
    return centre, (int(half[0] + margin), int(half[1] + margin))


def _score(seen: FrameMeasurement, m: int, at: Array, reach: int | Reach) -> Array:
    picture = seen.state.appearance.pictures[m]
    assert picture is not None
    if seen.state.motion.frames_hidden[m] > 0:
        picture = turn_picture(picture, seen.state.last_seen.turn[m])
    return correlation_map(seen.luma, picture, at, reach)


def _reach_by_mates(seen: FrameMeasurement, m: int, guess: Array) -> int:
    """How far round the place where its mates put it a mark may be, px."""
    hidden = float(seen.state.motion.frames_hidden[m])
    reach = min(TRACKING.mate_reach + TRACKING.mate_reach_growth * hidden, TRACKING.mate_reach_most)
    own = TRACKING.own_share * _distance_to_like(seen, m, guess)
    return int(min(reach, max(own, TRACKING.mate_reach_least)))


def _distance_to_like(seen: FrameMeasurement, m: int, guess: Array) -> float:
    """Distance to the next mark of the same pattern, px."""
    pattern = seen.state.marks.pattern
    others = seen.state.motion.known_mask & (pattern == pattern[m])
    others[m] = False
    away = np.where(seen.got_mask[:, None], seen.place, guess)[others] - guess[m]
    return float(np.min(np.hypot(*away.T), initial=np.inf))
