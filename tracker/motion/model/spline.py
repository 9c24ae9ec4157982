"""Cubic splines whose acceleration may jump at contact, in coordinates that a prior can be put on.

A spline is held by its `handles`: value, rate and acceleration just before the first break, the
jump of acceleration at every break, and the jerk on every interval between knots. The smoothness
prior (white jerk) is independent in these coordinates, which keeps the normal equations well
conditioned at any strength; sums over measurements are taken in the B-spline basis, where each
instant touches four coefficients only.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import factorial

import numpy as np
from scipy.interpolate import BSpline

from calibration.arrays import Array
from tracker.motion.options import KNOTS

DEGREE = 3
SPLINE_ORDER = DEGREE + 1
"""B-splines that are not zero at an instant."""


@dataclass(frozen=True)
class Basis:
    """Cubic B-splines on `sites` (k,), s, increasing; acceleration may jump at `breaks`, which are
    among the inner sites. Beyond the ends a spline goes on as its tangent.
    """

    breakpoints: Array
    breaks: tuple[float, ...] = ()

    @cached_property
    def knots(self) -> Array:
        """The knot vector: ends of multiplicity 4, breaks of multiplicity 2."""
        inner = np.concatenate([self.breakpoints[1:-1], np.array(self.breaks)])
        ends = np.ones(SPLINE_ORDER)
        return np.concatenate(
            [self.breakpoints[0] * ends, np.sort(inner), self.breakpoints[-1] * ends]
        )

    @property
    def count(self) -> int:
        """Number of coefficients."""
        return len(self.knots) - SPLINE_ORDER

    @property
    def intervals(self) -> Array:
        """Lengths (k - 1,) of the intervals between sites, s."""
        return np.diff(self.breakpoints)

    @cached_property
    def _first(self) -> np.ndarray:
        """Index of the first B-spline that is not zero on each interval (k - 1,)."""
        return np.searchsorted(self.knots, self.breakpoints[:-1], side="right") - 1 - DEGREE

    @cached_property
    def _pieces(self) -> Array:
        """Power coefficients (4 powers, intervals, 4 B-splines), in time from the left site."""
        whole = BSpline(self.knots, np.eye(self.count), DEGREE)
        row, pick = (
            np.arange(len(self._first))[:, None],
            self._first[:, None] + np.arange(SPLINE_ORDER),
        )
        powers = [
            whole(self.breakpoints[:-1], nu=p)[row, pick] / factorial(p)
            for p in range(SPLINE_ORDER)
        ]
        return np.asarray(powers)

    def local_bsplines(self, time: Array, order: int = 0) -> tuple[np.ndarray, Array]:
        """The first touched coefficient (n,) and the four B-splines' values (n, 4), or those of
        their derivative of this order, at times (n,). At a break the later side counts.
        """
        inside = np.clip(time, self.breakpoints[0], self.breakpoints[-1])
        k = np.clip(
            np.searchsorted(self.breakpoints, inside, side="right") - 1,
            0,
            len(self.breakpoints) - 2,
        )
        value = _polynomial(self._pieces[:, k], inside - self.breakpoints[k], order)
        beyond = time - inside
        if np.any(beyond):
            if order == 0:
                slope = _polynomial(self._pieces[:, k], inside - self.breakpoints[k], 1)
                value = value + beyond[:, None] * slope
            elif order >= 2:
                value = np.where(beyond[:, None] != 0, 0.0, value)
        return self._first[k], value

    def design(self, time: Array, order: int = 0) -> Array:
        """The spline (or its derivative) at times (n,) as rows (n, handles) on the handles."""
        first, value = self.local_bsplines(time, order)
        rows = np.zeros((len(time), self.count))
        np.put_along_axis(rows, first[:, None] + np.arange(SPLINE_ORDER), value, axis=1)
        return rows @ self.from_jerk_basis

    @cached_property
    def to_jerk_basis(self) -> Array:
        """Handles from B-spline coefficients (count, count): value, rate, acceleration at the
        anchor, jumps, then one jerk an interval.
        """
        rows = np.zeros((self.count, self.count))
        k = self.anchor
        at = self.breakpoints[k + 1] - self.breakpoints[k] if self.breaks else 0.0
        for order in range(3):
            self._set(rows[order], k, at, order)
        for n, place in enumerate(self.breaks):
            right = int(np.searchsorted(self.breakpoints, place))
            self._set(rows[3 + n], right, 0.0, 2)
            self._set(rows[3 + n], right - 1, self.intervals[right - 1], 2, -1.0)
        for n in range(len(self.intervals)):
            self._set(rows[3 + len(self.breaks) + n], n, 0.0, 3)
        return rows

    @cached_property
    def from_jerk_basis(self) -> Array:
        """B-spline coefficients from handles (count, count)."""
        size = np.abs(self.to_jerk_basis).max(axis=1, keepdims=True)
        return np.asarray(np.linalg.inv(self.to_jerk_basis / size) / size.T)

    @property
    def anchor(self) -> int:
        """The interval at whose end (with breaks) or start (without) the first handles hold."""
        return int(np.searchsorted(self.breakpoints, self.breaks[0])) - 1 if self.breaks else 0

    @property
    def anchor_time(self) -> float:
        """The time at which value, rate and acceleration are handles: just before contact."""
        return float(self.breaks[0] if self.breaks else self.breakpoints[0])

    @property
    def jerk(self) -> slice:
        """Which handles are jerks."""
        return slice(3 + len(self.breaks), self.count)

    def _set(self, row: Array, k: int, since: float, order: int, sign: float = 1.0) -> None:
        value = _polynomial(self._pieces[:, [k]], np.array([since]), order)[0]
        row[self._first[k] : self._first[k] + SPLINE_ORDER] += sign * value


def _polynomial(pieces: Array, since: Array, order: int) -> Array:
    """Derivative of this order of cubic pieces (4, n, 4) at times since their start (n,)."""
    out = np.zeros(pieces.shape[1:])
    for power in range(DEGREE, order - 1, -1):
        factor = float(np.prod(np.arange(power - order + 1, power + 1)))
        out = out * since[:, None] + factor * pieces[power]
    return out


def place_breakpoints(first: float, last: float, contact: float | None, frame: float) -> Array:
    """Knot sites (k,) from `first` to `last`, s: fine at and after contact, where a crash pulse
    lives, wider with the distance from it; never closer than two and a half frame intervals.
    """
    fine = max(min(4e-3, (last - first) / 40), 2.5 * frame)
    inside = contact is not None and first + fine < contact < last - fine
    if contact is None or not inside:
        # a place outside the film still tells which end is busy
        return _growing_steps(first, last, fine, steady=last - first if contact is None else 0.2)
    before = contact - _growing_steps(0.0, contact - first, fine, steady=3 * fine)
    after = contact + _growing_steps(0.0, last - contact, fine, steady=0.15)
    return np.concatenate([before[::-1], after[1:]])


def extend_breakpoints(breakpoints: Array, last: float) -> Array:
    """Sites (k,) and further ones up to `last`, s, spaced on from the last of them; the same where
    that is not beyond them by half an interval.
    """
    end, step = float(breakpoints[-1]), float(breakpoints[-1] - breakpoints[-2])
    if last < end + 0.5 * step:
        return breakpoints
    return np.concatenate(
        [breakpoints, _growing_steps(end, last, step, steady=max(0.15 - end, 0.0))[1:]]
    )


def _growing_steps(first: float, last: float, fine: float, steady: float) -> Array:
    """Steps of `fine` over the length `steady`, then growing by 12 % each to five times that, or as
    long as it takes for `KNOTS.most_intervals` of them to reach the end.
    """
    steps, total, step = [0.0], 0.0, fine
    longest = max(5 * fine, (last - first) / KNOTS.most_intervals)
    while total < last - first:
        total += step
        steps.append(total)
        if total > steady:
            step = min(step * 1.12, longest)
    return first + np.array(steps) * ((last - first) / total)
