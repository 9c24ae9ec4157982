"""A body's picture moves nearly as a plane does: where its other marks say that one must be."""

from __future__ import annotations

import numpy as np

from calibration.camera import Array

_SCALE = 0.5
"""Residual in px from which a mark loses weight in its body's motion."""
_FLAT = 0.15
"""Marks whose spread across is less than this share of the spread along count as a line."""


def carry(
    before: Array, after: Array, points: Array, turn: Array | None = None
) -> tuple[Array, Array]:
    """Where points (m, 2) go with a motion of the picture known from n marks, and its linear part.

    `before` and `after` (n, 2) px are the same marks in two pictures. One mark gives a shift, two
    a similarity, four that don't lie on a line an affine map; marks that disagree with the others
    lose weight (Cauchy). Without marks the points stay. `turn` (2, 2) is the linear part where the
    marks' places don't tell it.
    """
    n = len(before)
    linear = np.eye(2) if turn is None else turn
    if n == 0:
        return points.copy(), linear
    weight = np.ones(n)
    centre, to = before[0], after[0]
    for _ in range(6 if n > 2 else 1):
        centre, to = _mean(before, weight), _mean(after, weight)
        a, b = before - centre, after - to
        linear = _linear(a, b, weight, linear)
        residual = np.hypot(*(b - a @ linear.T).T)
        weight = 1.0 / (1.0 + (residual / max(_SCALE, float(np.median(residual)))) ** 2)
    return np.asarray(to + (points - centre) @ linear.T), linear


def middle(vectors: Array) -> Array:
    """The middle one of n vectors (n, 2) in each component: a median without averaging."""
    return np.asarray(np.sort(vectors, axis=0)[len(vectors) // 2])


def _mean(points: Array, weight: Array) -> Array:
    return np.asarray(weight @ points / weight.sum())


def _linear(a: Array, b: Array, weight: Array, unknown: Array) -> Array:
    """The 2 by 2 matrix that best takes a (n, 2) to b (n, 2)."""
    n = len(a)
    spread = float(weight @ np.sum(a * a, axis=1))
    if n == 1 or spread < 1e-9:
        return unknown
    normal = (a * weight[:, None]).T @ a
    small, large = np.linalg.eigvalsh(normal)
    if n >= 4 and small > _FLAT**2 * large:
        return np.asarray(np.linalg.solve(normal, (a * weight[:, None]).T @ b).T)
    c = float(weight @ np.sum(a * b, axis=1)) / spread
    s = float(weight @ (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])) / spread
    return np.array([[c, -s], [s, c]])
