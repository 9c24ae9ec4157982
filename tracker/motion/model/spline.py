"""Cubic splines whose acceleration may jump at contact, in two bases.

In the jerk basis the coefficients are value, rate and acceleration just before the first break, the
jump of acceleration at every break, and the jerk on every interval. The prior (white jerk) is
independent there, which keeps the normal equations well conditioned at any jerk density. Sums over
measurements are taken in the B-spline basis, where each instant touches four coefficients only.
Source: de Boor 1978, "A Practical Guide to Splines" (truncated powers and B-splines).
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
    """Cubic splines on `breakpoints` (k,), s, increasing. The acceleration may jump at `breaks`,
    which are among the inner breakpoints. Beyond the ends a spline goes on as its tangent.
    """

    breakpoints: Array
    breaks: tuple[float, ...] = ()
    phases: tuple[float, ...] = ()  # s, where the jerk's density may change without a jump

    @cached_property
    def knots(self) -> Array:
        """The knot vector: ends of multiplicity 4, breaks of multiplicity 2."""
        inner = np.concatenate([self.breakpoints[1:-1], np.array(self.breaks)])
        ends = np.ones(SPLINE_ORDER)
        return np.concatenate(
            [self.breakpoints[0] * ends, np.sort(inner), self.breakpoints[-1] * ends]
        )

    @property
    def stretch_ends(self) -> Array:
        """Inner ends (j,) of the stretches of one jerk density each, s."""
        return np.sort(np.array([*self.breaks, *self.phases]))

    @property
    def count(self) -> int:
        """Number of coefficients."""
        return len(self.knots) - SPLINE_ORDER

    @property
    def intervals(self) -> Array:
        """Lengths (k - 1,) of the intervals between breakpoints, s."""
        return np.diff(self.breakpoints)

    @cached_property
    def _first(self) -> np.ndarray:
        """Index of the first B-spline that is not zero on each interval (k - 1,)."""
        return np.searchsorted(self.knots, self.breakpoints[:-1], side="right") - 1 - DEGREE

    @cached_property
    def _pieces(self) -> Array:
        """Power coefficients (4 powers, intervals, 4 B-splines), in time from the left end."""
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
        """The spline (or its derivative) at times (n,) as rows (n, count) in the jerk basis."""
        first, value = self.local_bsplines(time, order)
        rows = np.zeros((len(time), self.count))
        np.put_along_axis(rows, first[:, None] + np.arange(SPLINE_ORDER), value, axis=1)
        return rows @ self.from_jerk_basis

    @cached_property
    def to_jerk_basis(self) -> Array:
        """Jerk basis from B-spline coefficients (count, count): value, rate, acceleration at the
        anchor, jumps, then one jerk an interval.
        """
        rows = np.zeros((self.count, self.count))
        k = self.anchor
        at = self.breakpoints[k + 1] - self.breakpoints[k] if self.breaks else 0.0
        for order in range(3):
            self._add_derivative(rows[order], k, at, order)
        for n, place in enumerate(self.breaks):
            right = int(np.searchsorted(self.breakpoints, place))
            self._add_derivative(rows[3 + n], right, 0.0, 2)
            self._add_derivative(rows[3 + n], right - 1, self.intervals[right - 1], 2, -1.0)
        for n in range(len(self.intervals)):
            self._add_derivative(rows[3 + len(self.breaks) + n], n, 0.0, 3)
        return rows

    @cached_property
    def from_jerk_basis(self) -> Array:
        """B-spline coefficients from the jerk basis (count, count)."""
        size = np.abs(self.to_jerk_basis).max(axis=1, keepdims=True)
        return np.asarray(np.linalg.inv(self.to_jerk_basis / size) / size.T)

    @property
    def anchor(self) -> int:
        """The interval at whose end (with breaks) or start the first coefficients hold."""
        return int(np.searchsorted(self.breakpoints, self.breaks[0])) - 1 if self.breaks else 0

    @property
    def anchor_time(self) -> float:
        """The time at which value, rate and acceleration are coefficients: just before contact."""
        return float(self.breaks[0] if self.breaks else self.breakpoints[0])

    @property
    def jerk(self) -> slice:
        """Which coefficients of the jerk basis are jerks."""
        return slice(3 + len(self.breaks), self.count)

    def _add_derivative(
        self, row: Array, k: int, since: float, order: int, sign: float = 1.0
    ) -> None:
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
    """Breakpoints (k,) from `first` to `last`, s, for a motion that nothing is known of.

    Parameters
    ----------
    contact : time of contact, s, at and after which intervals are fine; None: not known.
    frame : frame interval, s.
    """
    fine = min(KNOTS.first_step, (last - first) / KNOTS.first_intervals)
    fine = max(fine, KNOTS.first_frames * frame)
    inside = contact is not None and first + fine < contact < last - fine
    if contact is None or not inside:
        # a contact outside the film still shows which end is rough
        return _growing_steps(
            first, last, fine, steady=last - first if contact is None else KNOTS.steady_outside
        )
    before = contact - _growing_steps(0.0, contact - first, fine, steady=KNOTS.steady_before * fine)
    after = contact + _growing_steps(0.0, last - contact, fine, steady=KNOTS.steady_after)
    return np.concatenate([before[::-1], after[1:]])


def extend_breakpoints(breakpoints: Array, last: float) -> Array:
    """Breakpoints (k,) and further ones up to `last`, s, spaced on from the last of them; the same
    where that is not beyond them by half an interval.
    """
    end, step = float(breakpoints[-1]), float(breakpoints[-1] - breakpoints[-2])
    if last < end + 0.5 * step:
        return breakpoints
    return np.concatenate(
        [
            breakpoints,
            _growing_steps(end, last, step, steady=max(KNOTS.steady_after - end, 0.0))[1:],
        ]
    )


def _growing_steps(first: float, last: float, fine: float, steady: float) -> Array:
    """Steps of `fine` over the length `steady`, then growing to `KNOTS.first_longest` times that,
    or as long as it takes for `KNOTS.most_intervals` of them to reach the end.
    """
    steps, total, step = [0.0], 0.0, fine
    longest = max(KNOTS.first_longest * fine, (last - first) / KNOTS.most_intervals)
    while total < last - first:
        total += step
        steps.append(total)
        if total > steady:
            step = min(step * KNOTS.first_growth, longest)
    return first + np.array(steps) * ((last - first) / total)
