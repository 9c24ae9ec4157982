"""A smooth map from frame number to time through edges of a known clock.

A cubic spline, penalised in its third derivative, with the penalty that makes the
edges most probable. Sources: Eilers and Marx, Statistical Science 11 (1996), for the penalised
basis; Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), eq. 2.30, for the
marginal likelihood of a linear Gaussian model.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.special import ndtr

from calibration.arrays import Array
from calibration.time.options import CLOCK_SPLINE


@dataclass(frozen=True)
class Edges:
    """Where the light changed, in frames: evenly likely within +-`half`, with noise `u` on top.

    `kind` is 0 for rising, 1 for falling.
    """

    frame: Array
    u: Array
    half: Array
    kind: NDArray[np.intp]

    def subset(self, keep: NDArray[np.bool_]) -> Edges:
        """Those of them that are kept (n,)."""
        return Edges(self.frame[keep], self.u[keep], self.half[keep], self.kind[keep])


@dataclass(frozen=True)
class ClockFit:
    """A spline of time (s) over frame number, with the root of its coefficients' covariance."""

    knots: Array  # (c + 4,) frames
    mean: Array  # (c,) s
    root: Array  # (c, k) s: `root` times unit-variance noise (k,) is the error of `mean`
    lag: float  # of falling edges, s
    interval: float  # s a frame
    scale: float  # by which the edges scatter more than their u

    def seconds(self, frame: Array) -> Array:
        """Clock readings (n,) s at frames (n,), fractions allowed."""
        return np.asarray(BSpline(self.knots, self.mean, 3)(frame))

    def u_between(self, frame: Array, reference: float) -> Array:
        """Standard uncertainty (n,) s of the time from `reference` to each frame (n,)."""
        fixed = self._basis(np.array([reference])) @ self.root
        parts = np.array_split(frame, max(1, len(frame) // 4096))
        return np.concatenate(
            [np.linalg.norm(self._basis(part) @ self.root - fixed, axis=1) for part in parts]
        )

    def residuals(self, edges: Edges, clock: Array) -> Array:
        """Residuals (n,) s of edges at clock readings (n,) s."""
        return np.asarray(clock - self.seconds(edges.frame) + self.lag * edges.kind)

    def _basis(self, frame: Array) -> Array:
        inside = np.clip(frame, self.knots[3], self.knots[-4])
        return np.asarray(BSpline.design_matrix(inside, self.knots, 3).toarray())


def fit_clock(edges: Edges, clock: Array, period: float, frames: int) -> ClockFit:
    """The spline through `edges` at clock readings (n,) s; rising every `period` frames.

    Falling edges share one unknown lag, since a lamp's duty is seldom exactly as stated.
    """
    interval = float(np.polyfit(edges.frame, clock, 1)[0])
    pieces = int(
        min(CLOCK_SPLINE.most_pieces, max(1, frames / (CLOCK_SPLINE.knot_periods * period), 1))
    )
    low, high = min(-0.5, edges.frame[0]), max(frames - 0.5, edges.frame[-1])
    inner = np.linspace(low, high, pieces + 1)
    step = inner[1] - inner[0]
    knots = np.concatenate([low + step * np.arange(-3, 0), inner, high + step * np.arange(1, 4)])
    basis = BSpline.design_matrix(edges.frame, knots, 3).toarray()
    count = basis.shape[1]
    falling = np.any(edges.kind == 1) and np.any(edges.kind == 0)
    design = np.column_stack([basis, -edges.kind.astype(np.float64)]) if falling else basis
    readings = _Readings(clock, np.hypot(edges.u, edges.half / math.sqrt(3)) * interval)
    exact = edges.half == 0
    if exact.sum() >= CLOCK_SPLINE.exact_edges:
        readings = _Readings(
            clock, np.where(exact, readings.u, CLOCK_SPLINE.span_weight * readings.u)
        )
    free, bent = _coefficient_bases(count, design.shape[1])
    for _ in range(CLOCK_SPLINE.rounds if not exact.all() else 1):
        a, y = design / readings.u[:, None], readings.at / readings.u
        mean, root, scale = _smooth(a, y, free, bent)
        u_fit = np.linalg.norm(design @ root, axis=1) / scale
        readings = readings.with_moments(clock, edges, interval, design @ mean, u_fit)
    lag = float(mean[-1]) if falling else 0.0
    return ClockFit(knots, mean[:count], root[:count], lag, interval, scale)


@dataclass(frozen=True)
class _Readings:
    """Each edge as a Gaussian reading (n,) of the clock, s, with its u.

    An edge known only to lie within a span gives less the better the others place it in the
    span. Source: expectation propagation with box factors (Minka, UAI 2001).
    """

    at: Array
    u: Array

    def with_moments(
        self, clock: Array, edges: Edges, interval: float, fit: Array, u_fit: Array
    ) -> _Readings:
        """Readings that match the truncated moments, given the map `fit` (n,) and its `u_fit`."""
        box = edges.half > 0
        own = self.u[box] ** -2
        rest = np.maximum(u_fit[box] ** -2 - own, 1e-6 * own)
        middle = (u_fit[box] ** -2 * fit[box] - own * self.at[box]) / rest
        spread = np.sqrt(1 / rest + (edges.u[box] * interval) ** 2)
        half = edges.half[box] * interval
        low, high = (clock[box] - half - middle) / spread, (clock[box] + half - middle) / spread
        shift, variance = _truncated_moments(low, high)
        mean = middle + spread * shift
        precision = 1 / (spread**2 * variance)
        gained = np.clip(precision - 1 / spread**2, 1e-6 / half**2, 12 / half**2)
        mixing = CLOCK_SPLINE.mixing
        gained = mixing * gained + (1 - mixing) * own
        # the reading that moves the map's place to the truncated mean
        reading = np.clip(mean + (mean - middle) / (spread**2 * gained), *_span(clock[box], half))
        at, u = self.at.copy(), self.u.copy()
        at[box] = mixing * reading + (1 - mixing) * at[box]
        u[box] = gained**-0.5
        return _Readings(at, u)


def _truncated_moments(low: Array, high: Array) -> tuple[Array, Array]:
    """Mean and variance (n,) of a unit normal cut off at `low` and `high` (n,)."""
    low, high = np.clip(low, -30, 29.9), np.clip(high, -29.9, 30)
    flipped = low + high > 0  # the lower tail keeps its digits
    a, b = np.where(flipped, -high, low), np.where(flipped, -low, high)
    mass = ndtr(b) - ndtr(a)
    bell_a, bell_b = np.exp(-a * a / 2), np.exp(-b * b / 2)
    root = math.sqrt(2 * math.pi)
    mean = (bell_a - bell_b) / (root * mass)
    variance = 1 + (a * bell_a - b * bell_b) / (root * mass) - mean**2
    wide = b - a
    return np.where(flipped, -mean, mean), np.clip(variance, 1e-3 * np.minimum(wide**2, 1), 1)


def _span(clock: Array, half: Array) -> tuple[Array, Array]:
    return clock - 2 * half, clock + 2 * half


def _coefficient_bases(count: int, columns: int) -> tuple[Array, Array]:
    """Bases (columns, .) of coefficients without third difference, and of the others.

    The first `count` coefficients are a spline's, the rest are free.
    """
    extra = columns - count
    free = np.zeros((columns, 3 + extra))
    free[:count, :3] = np.vander(np.linspace(-1, 1, count), 3)
    free[count:, 3:] = np.eye(extra)
    bent = np.zeros((columns, count - 3))
    bent[:count] = np.linalg.pinv(np.diff(np.eye(count), 3, axis=0))
    return free, bent


def _smooth(a: Array, y: Array, free: Array, bent: Array) -> tuple[Array, Array, float]:
    """Coefficients of the columns of `a`, the root of their covariance, the scatter's scale.

    The third differences, coefficients of `bent`, are noise of the variance that makes `y` (in
    units of its noise) most probable.
    """
    q, r = np.linalg.qr(a @ free)
    rest = a @ bent - q @ (q.T @ (a @ bent))
    residual = y - q @ (q.T @ y)
    w, v = np.linalg.eigh(rest.T @ rest)
    w = np.maximum(w, 1e-12 * w[-1])
    z = v.T @ (rest.T @ residual)
    stiffest = math.log10(w[-1])
    penalties = np.logspace(
        stiffest - CLOCK_SPLINE.penalty_low,
        stiffest + CLOCK_SPLINE.penalty_high,
        CLOCK_SPLINE.penalties,
    )
    degrees = max(len(y) - free.shape[1], 1)
    quadratic = np.maximum(
        residual @ residual - np.sum(z**2 / (w + penalties[:, None]), axis=1), 0.0
    )
    variance = np.maximum(1.0, quadratic / degrees)
    cost = quadratic / variance + degrees * np.log(variance)
    cost += np.sum(np.log1p(w / penalties[:, None]), axis=1)
    best = int(np.argmin(cost))
    bend = v @ (z / (w + penalties[best]))
    straight = np.linalg.solve(r, q.T @ (y - a @ (bent @ bend)))
    back = np.linalg.inv(r)
    through = bent - free @ (back @ (q.T @ (a @ bent)))
    root = np.column_stack([free @ back, (through @ v) / np.sqrt(w + penalties[best])])
    scale = math.sqrt(float(variance[best]))
    return free @ straight + bent @ bend, root * scale, scale
