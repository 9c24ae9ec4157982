"""A body's picture moves nearly as a plane does: where a mark is by its body's other marks."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from calibration.arrays import Array
from tracker.tracking.options import TRACKING

_SCALE = TRACKING.layout_scale
_FLAT = TRACKING.layout_flat
_ITERATIONS = TRACKING.layout_iterations
_NO_SPREAD = 1e-9
"""px²: marks with a smaller spread stand on one place."""


def carry_points(
    before: Array, after: Array, points: Array, turn: Array | None = None
) -> tuple[Array, Array]:
    """Where points (m, 2) go with a motion of the picture known from n marks, and its linear part.

    `before` and `after` (n, 2) px are the same marks in two pictures. One mark gives a shift, two
    a similarity, four that don't lie on a line an affine map; marks that disagree with the others
    lose weight (Cauchy). Without marks the points stay. `turn` (2, 2) is the linear part where the
    marks' places don't determine it.
    """
    linear = np.eye(2) if turn is None else np.array(turn, float)
    if len(before) == 0:
        return points.copy(), linear
    centre, to = fit_layout_motion(
        np.ascontiguousarray(before), np.ascontiguousarray(after), linear
    )
    return np.asarray(to + (points - centre) @ linear.T), linear


@njit(cache=True, nogil=True)
def fit_layout_motion(before: Array, after: Array, linear: Array) -> tuple[Array, Array]:
    """The weighted means (2,) px of n marks before and after (n, 2); improves `linear` (2, 2) in
    place. Iteratively reweighted least squares with Cauchy weights.
    """
    n = len(before)
    weight, off = np.ones(n), np.empty(n)
    centre, to = before[0].copy(), after[0].copy()
    for _ in range(_ITERATIONS if n > 2 else 1):
        total = weight.sum()
        for k in range(2):
            centre[k] = (weight * before[:, k]).sum() / total
            to[k] = (weight * after[:, k]).sum() / total
        _fit_linear_part(before - centre, after - to, weight, linear)
        for i in range(n):
            x, y = before[i, 0] - centre[0], before[i, 1] - centre[1]
            u = after[i, 0] - to[0] - linear[0, 0] * x - linear[0, 1] * y
            v = after[i, 1] - to[1] - linear[1, 0] * x - linear[1, 1] * y
            off[i] = math.hypot(u, v)
        scale = max(_SCALE, float(np.median(off)))
        for i in range(n):
            weight[i] = 1.0 / (1.0 + (off[i] / scale) ** 2)
    return centre, to


@njit(cache=True, nogil=True)
def _fit_linear_part(a: Array, b: Array, weight: Array, linear: Array) -> None:
    """Sets `linear` to the matrix that best takes a (n, 2) to b (n, 2), if they determine one."""
    xx = (weight * a[:, 0] * a[:, 0]).sum()
    xy = (weight * a[:, 0] * a[:, 1]).sum()
    yy = (weight * a[:, 1] * a[:, 1]).sum()
    spread = xx + yy
    if len(a) == 1 or spread < _NO_SPREAD:
        return
    ux, uy = (weight * b[:, 0] * a[:, 0]).sum(), (weight * b[:, 0] * a[:, 1]).sum()
    vx, vy = (weight * b[:, 1] * a[:, 0]).sum(), (weight * b[:, 1] * a[:, 1]).sum()
    half = math.hypot(0.5 * (xx - yy), xy)  # eigenvalues of the normal matrix: mean +- half
    if len(a) >= 4 and 0.5 * spread - half > _FLAT**2 * (0.5 * spread + half):
        det = xx * yy - xy * xy
        linear[0, 0], linear[0, 1] = (ux * yy - uy * xy) / det, (uy * xx - ux * xy) / det
        linear[1, 0], linear[1, 1] = (vx * yy - vy * xy) / det, (vy * xx - vx * xy) / det
        return
    c, s = (ux + vy) / spread, (vx - uy) / spread
    linear[0, 0], linear[0, 1], linear[1, 0], linear[1, 1] = c, -s, s, c
