"""The displacement of a single mark as a spline: at rest until contact, smooth from then on."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import BSpline

from calibration.arrays import Array
from tracker.motion.free_mark_options import FREE_MARKS

_DEGREE = 3


class DisplacementSpline:
    """Place before contact (3), then spline coefficients (count, 3): linear in the unknowns."""

    def __init__(self, last: float, frame: float) -> None:
        first = -FREE_MARKS.lead
        spacing = max(
            FREE_MARKS.knot_spacing,
            FREE_MARKS.knot_frames * frame,
            (last - first) / FREE_MARKS.most_knots,
        )
        inner = np.linspace(first, last, max(2, int(np.ceil((last - first) / spacing)) + 1))
        self.knots = np.r_[[first] * _DEGREE, inner, [last] * _DEGREE]
        self.first, self.last = first, last
        self.count = len(self.knots) - _DEGREE - 1 - 2  # without those that move or speed it there

    def rows(self, time: Array, order: int = 0) -> Array:
        """Rows (n, 1 + count) that give a coordinate, or its rate, from its unknowns."""
        inside = np.clip(time, self.first, self.last)
        eye = np.eye(self.count + 2)[2:]
        spline = BSpline(self.knots, eye.T, _DEGREE)
        part = spline(inside) if order == 0 else spline.derivative(order)(inside)
        part = np.where((time < self.first)[:, None], 0.0, part)
        return np.column_stack([np.full(len(time), float(order == 0)), part])

    def jerk(self) -> Array:
        """Integral of the squared jerk as a matrix (1 + count, 1 + count)."""
        breaks = np.unique(self.knots)
        rows = self.rows((breaks[:-1] + breaks[1:]) / 2, 3)
        return np.asarray(rows.T @ (rows * np.diff(breaks)[:, None]))

    def weak(self) -> Array:
        """Information on a displacement of sd 1: that of one value each `weak_time`, spread
        over all knots, so that the path can't swing wide between two of them.
        """
        times = np.unique(self.knots)
        places = 2 + (self.last - self.first) / FREE_MARKS.weak_time
        rows = self.rows(times) * np.sqrt(places / len(times))
        rows[:, 0] = 0.0
        return np.asarray(rows.T @ rows)
