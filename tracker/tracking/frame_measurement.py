"""One frame being looked at: measured where marks are expected, searched, doubted."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.film import Luma
from tracker.marks.image_model import PATCH
from tracker.marks.measure import remeasure
from tracker.tracking import correlation_search, plausibility
from tracker.tracking.state import Mask, State

_ASTRAY = 2.5
"""Surprise in px beyond that of the body from which a mark is doubted."""
_CORRELATED = 0.45
"""Correlation below which the coarse search has found nothing."""
_FARTHEST = 48
"""Reach of the coarse search, px."""
_STRETCH = 400.0
"""Half of the farthest way, px, on which a body that may have stopped unseen is searched."""
_EVERY, _SOMETIMES = 12, 4
"""Frames of hiding after which a whole body is searched in one of so many frames only."""
_STOPS, _DRIFT = 40.0, 0.05
"""Frames in which a body may be stopped, and px a frame by which it may otherwise stray."""
_LEAD, _LEAD_IN_PART = 0.35, 1.0
"""Marks by which a common shift must be better than another, if all marks are seen, or some."""
_NONE = np.zeros(2)


class Look:
    """One frame being looked at."""

    def __init__(self, state: State, luma: Luma, dt: int) -> None:
        n = len(state.body)
        self.state, self.luma, self.dt = state, luma, dt
        self.got = np.zeros(n, bool)
        self.place, self.covariance = np.full((n, 2), np.nan), np.full((n, 2, 2), np.nan)
        self.ratio, self.contrast, self.visible = (np.full(n, np.nan) for _ in range(3))
        self.before = state.looks.rows.p.copy(), state.looks.gradient_u.copy()

    def take(self, known: Mask, given: Array) -> None:
        """Places that are known already."""
        self.got |= known
        self.place[known] = given[known]

    def measure(self, which: Mask, guess: Array) -> None:
        """Measure these marks near their predicted places."""
        rows, columns = self.luma.shape
        inside = np.all((guess > -0.5) & (guess < (columns - 0.5, rows - 0.5)), axis=1)
        index = np.flatnonzero(which & inside & ~self.got)
        if not len(index):
            return
        motion = (guess - self.state.place)[index] / self.dt * self.state.duty
        done = remeasure(
            self.luma,
            self.state.look(index),
            guess[index],
            motion if self.state.duty > 0 else None,
            white=self.state.white,
            helper=self.state.helper,
        )
        fine = done.fault == 0
        ok = index[fine]
        self.got[ok] = True
        self.place[ok] = done.position[fine]
        self.covariance[ok] = done.covariance[fine]
        self.ratio[ok] = done.ratio[fine]
        self.contrast[ok] = done.contrast[fine]
        self.visible[ok] = done.visible[fine]
        self.state.relearn(ok, done.p[fine], done.gradient_u[fine])

    def drop(self, which: Mask) -> None:
        """Take back what was measured of these."""
        index = np.flatnonzero(which & self.got)
        if not len(index):
            return
        p, gradient_u = self.before
        self.state.relearn(index, p[index], gradient_u[index])
        self.got[index] = False
        self.place[index] = self.covariance[index] = np.nan
        self.ratio[index] = self.contrast[index] = self.visible[index] = np.nan

    def doubt(self, which: Mask, guess: Array) -> None:
        """Drop marks that surprise otherwise than their body does."""
        off = np.abs((self.place - guess)[self.got])
        if not off.size or float(np.max(off)) < 0.3 * _ASTRAY:
            return  # no two can differ by enough
        for b in np.unique(self.state.body[which]):
            mine = np.flatnonzero(self.got & (self.state.body == b))
            if len(mine) < 2:
                continue
            surprise = self.place[mine] - guess[mine]
            if len(mine) == 2:
                first, second = np.hypot(*surprise.T)
                common = surprise[0 if first < second else 1]
            else:
                common = plausibility.middle_of(surprise, np.ones(len(mine), bool))
            astray = np.hypot(*(surprise - common).T) > _ASTRAY
            wrong = np.zeros_like(self.got)
            wrong[mine[astray]] = True
            self.drop(wrong & which)

    def strayed(self, wanted: Mask) -> None:
        """Drop marks of the ground that have crept away from the others, as shadows cover them."""
        ground = self.got & self.state.still
        if np.count_nonzero(ground) > 2:
            self.drop(plausibility.crept(self.place, self.state.home, ground) & wanted)

    def veiled(self, wanted: Mask) -> None:
        """Drop marks of which smoke, glare or a cover has left too little to trust the rest."""
        looks, paint = self.state.looks, self.state.paint
        few = plausibility.veiled(looks.rows.kinds, self.contrast, paint[:, 1], self.visible)
        self.drop(few & wanted)

    def misplaced(self, wanted: Mask) -> None:
        """Drop marks that are measured from a part only, or badly, where the sound marks of their
        body put them elsewhere: a soft veil shifts a mark without spoiling its fit.
        """
        state = self.state
        whole = self.got & (self.visible > plausibility.WHOLE)
        sound = whole & (self.ratio < plausibility.FITS)
        doubtful = self.got & wanted & ~sound & (state.looks.rows.kinds != PATCH)
        self.drop(
            plausibility.misplaced(
                doubtful, sound, self.place, state.body, state.frame,
                state.sound_at, state.sound_with, state.sound,
            )
        )  # fmt: skip
        state.well(sound, self.place)
        state.brighten(whole & self.got)

    def sought(self, which: Mask, guess: Array) -> tuple[Array, Mask]:
        """Better guesses by coarse search, and which marks it found.

        A mark is sought round where the mates that are seen say it must be, each for itself; marks
        of a body of which nothing is seen are sought together, by a common shift. Marks of which
        there is no picture, always too near to the edge, count as found where they are expected.
        """
        guess, found = guess.copy(), np.zeros_like(self.got)
        state = self.state
        for b in np.unique(state.body[which]):
            mine = [
                m
                for m in np.flatnonzero(which & (state.body == b)).tolist()
                if state.patches[m] is not None
            ]
            led = [m for m in mine if state.mates(m, self.got).any()]
            for m in led:
                reach = self._reach(m, guess)
                shift, value = correlation_search.peak(
                    self._score(m, guess[m], reach), reach, _NONE, reach
                )
                if value > _CORRELATED:
                    guess[m] += shift
                    found[m] = True
            together = [m for m in mine if m not in led]
            found[[m for m in np.flatnonzero(which & (state.body == b)) if m not in mine]] = True
            if together:
                self._sought_together(together, guess, found)
        return guess, found

    def _sought_together(self, marks: list[int], guess: Array, found: Mask) -> None:
        """Search by a common shift, and each mark near it for itself: bodies turn unseen too.

        Half of the marks, at least two, must agree on it, and on no other as well: marks of an
        even layout are found one place off too, all but those at its edge. Else a mark is found
        only so near to its place that it can't be another.
        """
        state = self.state
        gap = int(min(state.gap[m] for m in marks))
        if gap > _EVERY and state.frame % _SOMETIMES:
            return
        velocity = np.mean(state.velocity[marks], axis=0)
        spacing = min(self._nearest(m, guess) for m in marks)
        near = int(min(3.0 + 0.4 * gap, max(8.0, 0.25 * min(spacing, 64.0))))
        centre, reach = self._stretch(velocity, gap, marks, near)
        scores = [self._score(m, guess[m] + centre, reach) for m in marks]
        agreed = correlation_search.consensus(scores, near)
        common, best = correlation_search.peak(agreed, reach, -centre, (2 * reach[0], 2 * reach[1]))
        shifts = [correlation_search.peak(score, reach, common, near) for score in scores]
        agree = [value > _CORRELATED for _, value in shifts]
        apart = max(2.0 * near + 6.0, 0.5 * min(spacing, 64.0))  # beyond the plateau of the best
        lead = len(marks) * (best - correlation_search.rival(agreed, reach, common, apart))
        strayed = min(float(np.hypot(*velocity)) * gap * min(gap / _STOPS, 1.0), 0.5 * _FARTHEST)
        alone = strayed + _DRIFT * gap < 0.4 * spacing  # no other place can be meant
        sure = sum(agree) >= max(2, len(marks) / 2) and (
            lead > (_LEAD if all(agree) else _LEAD_IN_PART)
            or (alone and np.hypot(*(common + centre)) < 0.4 * spacing)
        )
        for m, (shift, _), own in zip(marks, shifts, agree, strict=True):
            if sure:
                guess[m] += centre + (shift if own else common)
                found[m] = own
            elif own and alone and np.hypot(*(centre + shift)) < 0.4 * self._nearest(m, guess):
                guess[m] += centre + shift
                found[m] = True

    def _stretch(
        self, velocity: Array, gap: int, marks: list[int], near: int
    ) -> tuple[Array, correlation_search.Reach]:
        """Where to search for a body of which nothing is seen: the middle (2,) px of the shifts
        from its prediction, and the reach round it. It may have stopped since.
        """
        back = -velocity * gap
        fresh = any(
            self.state.held[m] and self.state.fixes[m] < 2 and not self.state.still[m]
            for m in marks
        )
        margin = 6.0 + 0.5 * float(np.hypot(*velocity)) + 0.3 * gap
        if fresh:
            margin = 12.0 + float(np.max(self.state.size[marks]))
        margin = min(margin, _FARTHEST) + near
        half = np.minimum(0.5 * np.abs(back), _STRETCH)
        centre = np.sign(back) * np.rint(half)
        return centre, (int(half[0] + margin), int(half[1] + margin))

    def _score(self, m: int, at: Array, reach: int | correlation_search.Reach) -> Array:
        patch = self.state.patches[m]
        assert patch is not None
        if self.state.gap[m] > 0:
            patch = correlation_search.turned(patch, self.state.turn[m])
        return correlation_search.correlation(self.luma, patch, at, reach)

    def _reach(self, m: int, guess: Array) -> int:
        """How far round the place where its mates put it a mark may be, px."""
        reach = min(3.0 + 0.1 * float(self.state.gap[m]), 16.0)
        return int(min(reach, max(0.4 * self._nearest(m, guess), 2.0)))

    def _nearest(self, m: int, guess: Array) -> float:
        """Distance to the next mark of the same pattern, px."""
        others = self.state.known & (self.state.kind == self.state.kind[m])
        others[m] = False
        away = np.where(self.got[:, None], self.place, guess)[others] - guess[m]
        return float(np.min(np.hypot(*away.T), initial=np.inf))

    def part(self, guess: Array, wanted: Mask) -> None:
        """Of two marks that claim one place, keep the one that is nearer to its prediction."""
        for pair in plausibility.overlapping(self.place, self.state.size, self.got):
            off = np.hypot(*(self.place[pair] - guess[pair]).T)
            off[~wanted[pair]] = -1.0  # what is given stays
            wrong = np.zeros_like(self.got)
            wrong[pair[int(np.argmax(off))]] = True
            self.drop(wrong & wanted)
