"""One frame: marks measured where they are expected, and those that can't be right rejected."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.film import Luma
from tracker.marks import Picture
from tracker.marks.measure import measure_appearances
from tracker.marks.parameters import PATCH
from tracker.tracking import plausibility
from tracker.tracking.options import TRACKING
from tracker.tracking.plausibility import Mask
from tracker.tracking.state import TrackingState

_GROUND_MARKS = 3
"""Marks of the ground among which one that has left the others shows."""


class FrameMeasurement:
    """What one frame shows of n marks so far; NaN where nothing is measured."""

    def __init__(self, state: TrackingState, luma: Luma, dt: int) -> None:
        n = len(state.marks)
        self.state, self.luma, self.dt = state, luma, dt
        self.got_mask: Mask = np.zeros(n, bool)
        self.place, self.covariance = np.full((n, 2), np.nan), np.full((n, 2, 2), np.nan)
        self.ratio, self.contrast, self.visible = (np.full(n, np.nan) for _ in range(3))
        self._before = state.appearance.snapshot()

    def accept_given(self, known_mask: Mask, given: Array) -> None:
        """Places (n, 2) that are known already; those of the ground become their homes."""
        self.got_mask |= known_mask
        self.place[known_mask] = given[known_mask]
        motion, ground = self.state.motion, self.state.marks.ground_mask
        new = known_mask & ground & np.isnan(motion.home[:, 0])
        if new.any():
            shift = plausibility.common_shift(self.place, motion.home, known_mask & ground)
            motion.home[new] = given[new] - shift

    def measure(self, which: Mask, guess: Array) -> None:
        """Measure these marks near their predicted places."""
        state, duty = self.state, self.state.marks.duty
        rows, columns = self.luma.shape
        inside = np.all((guess > -0.5) & (guess < (columns - 0.5, rows - 0.5)), axis=1)
        index = np.flatnonzero(which & inside & ~self.got_mask)
        if not len(index):
            return
        motion = (guess - state.motion.place)[index] / self.dt * duty
        done = measure_appearances(
            Picture(self.luma, state.marks.white),
            state.expected_appearances(index),
            guess[index],
            motion if duty > 0 else None,
            helper=state.helper,
        )
        fine = done.fault == 0
        ok = index[fine]
        self.got_mask[ok] = True
        self.place[ok] = done.position[fine]
        self.covariance[ok] = done.covariance[fine]
        self.ratio[ok] = done.ratio[fine]
        self.contrast[ok] = done.contrast[fine]
        self.visible[ok] = done.visible[fine]
        state.appearance.update(ok, done.p[fine], done.gradient_u[fine])

    def reject(self, which: Mask) -> None:
        """Take back what was measured of these."""
        index = np.flatnonzero(which & self.got_mask)
        if not len(index):
            return
        p, gradient_u = self._before
        self.state.appearance.update(index, p[index], gradient_u[index])
        self.got_mask[index] = False
        self.place[index] = self.covariance[index] = np.nan
        self.ratio[index] = self.contrast[index] = self.visible[index] = np.nan

    def reject_inconsistent(self, which: Mask, guess: Array) -> None:
        """Reject marks whose innovation differs from that of their body."""
        off = np.abs((self.place - guess)[self.got_mask])
        largest = float(np.max(off)) if off.size else 0.0
        if not off.size or largest < TRACKING.inconsistent_share * TRACKING.inconsistent:
            return
        body = self.state.marks.body
        for b in np.unique(body[which]):
            mine = np.flatnonzero(self.got_mask & (body == b))
            if len(mine) < 2:
                continue
            innovation = self.place[mine] - guess[mine]
            if len(mine) == 2:
                first, second = np.hypot(*innovation.T)
                common = innovation[0 if first < second else 1]
            else:
                common = plausibility.upper_median(innovation, np.ones(len(mine), bool))
            wrong = np.zeros_like(self.got_mask)
            wrong[mine[np.hypot(*(innovation - common).T) > TRACKING.inconsistent]] = True
            self.reject(wrong & which)

    def resolve_overlaps(self, guess: Array, wanted_mask: Mask) -> None:
        """Of two marks that claim one place, keep the one that is nearer to its prediction."""
        size = self.state.appearance.size
        for pair in plausibility.overlapping_pairs(self.place, size, self.got_mask):
            off = np.hypot(*(self.place[pair] - guess[pair]).T)
            off[~wanted_mask[pair]] = -1.0  # what is given stays
            wrong = np.zeros_like(self.got_mask)
            wrong[pair[int(np.argmax(off))]] = True
            self.reject(wrong & wanted_mask)

    def reject_drifted(self, wanted_mask: Mask) -> None:
        """Reject marks of the ground that drift away from the others, as shadows cover them."""
        ground = self.got_mask & self.state.marks.ground_mask
        if np.count_nonzero(ground) >= _GROUND_MARKS:
            home = self.state.motion.home
            self.reject(plausibility.drifted_mask(self.place, home, ground) & wanted_mask)

    def reject_occluded(self, wanted_mask: Mask) -> None:
        """Reject marks of which smoke, glare or a cover has left too little to believe the rest."""
        looks = self.state.appearance
        occluded = plausibility.occluded_mask(
            looks.kinds, self.contrast, looks.strongest_contrast, self.visible
        )
        self.reject(occluded & wanted_mask)

    def reject_off_layout(self, wanted_mask: Mask) -> None:
        """Reject marks that are measured from a part only, or badly, where the reliable marks of
        their body put them elsewhere: soft haze shifts a mark without spoiling its fit. Then
        keep what is reliable.
        """
        state = self.state
        whole = self.got_mask & (self.visible > TRACKING.whole_visible)
        most = TRACKING.reliable_ratio + TRACKING.reliable_spread / state.appearance.size
        reliable = whole & (self.ratio < most)
        doubtful = self.got_mask & wanted_mask & ~reliable & (state.appearance.kinds != PATCH)
        memory = state.reliable.places
        self.reject(
            plausibility.off_layout_mask(
                doubtful, reliable, self.place, state.marks.body, state.frame, memory
            )
        )
        state.reliable.store_reliable(reliable, self.place, state.frame)
        state.appearance.update_reference(whole & self.got_mask)
