"""Least-squares fit of marks to lists of pixels: compiled, many marks a call, releases the GIL.

Levenberg-Marquardt on the cost
    sum rho(r / sigma) + sum ((p - p0) / sd)²,
rho(t) = t² or, with a scale c, c²/3 (1 - (1 - (t/c)²)³) up to c and constant beyond (Tukey). It
stops when a step is small against the position's own standard deviation. Covariance: H^-1 M H^-1
with M = sum w² r² J J^T + what clumps (`tracker.marks.grain`) + prior.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from calibration.arrays import Array
from tracker.marks.fit_inputs import FitControl, FitNoise, FitPrior, PixelLists
from tracker.marks.grain import correlated_variance
from tracker.marks.image_model import fill_grey, load_block, prepare_row
from tracker.marks.options import MARKS
from tracker.marks.packing import MarkRow, MarkRows
from tracker.marks.parameters import (
    CONTRAST,
    CONTRAST_SD,
    COST,
    COV_UV,
    EDGE_SD,
    LIGHT_SD,
    LIGHT_X,
    LIGHT_Y,
    PARAMETERS,
    PASSES,
    RESIDUAL_VARIANCE,
    VAR_UU,
    VAR_VV,
    W_UX,
    W_UY,
    W_VX,
    W_VY,
    WEIGHT_SUM,
)
from tracker.marks.workspace import ALONG, BLOCK, GREY, MODEL, WORK, J

_SETTLED = MARKS.last_gain
_CLIPPED = MARKS.clipped_weight
_EDGE_LOW, _EDGE_HIGH = MARKS.edge_sd_low, MARKS.edge_sd_high
_AREA = MARKS.area_change
_LEAST_REST = 0.1
"""Least share of a pixel's error that counts as left in its residual."""
_DAMPING, _DAMPING_INSANE = 1e-3, 1e-2
"""Damping, over the diagonal, after the first step that fails, or that leads to no sane shape."""
_EASE, _STIFFEN = 0.1, 8.0
"""Factors of the damping after a step that gains, and after one that doesn't."""
_TRIES = 12
"""Dampings tried to get a sane shape."""
_SPARE, _FACTOR, _VECTORS = PARAMETERS, 2 * PARAMETERS, 3 * PARAMETERS
"""Rows of the matrices of a `FitSpace`: the normal matrix comes first, then these."""
_GRADIENT, _STEP, _START, _TRIAL, _SUMS = (_VECTORS + k for k in range(5))
_MATRIX_ROWS = _VECTORS + 8


class _MarkPrior(NamedTuple):
    centre: Array
    precision: Array


class _MarkNoise(NamedTuple):
    white: float
    sigma: float
    scale: float


class _FitSpace(NamedTuple):
    """What a fit works in."""

    matrices: Array  # (_MATRIX_ROWS, PARAMETERS)
    block: Array  # (WORK,)
    derivatives: Array  # (free + 2) times the pixels, rounded up to whole blocks


@njit(cache=True, error_model="numpy")
def _evaluate(
    mark: MarkRow,
    pixels: Array,
    noise: _MarkNoise,
    free: int,
    c: Array,
    w: Array,
    T: Array,
    sums: Array,
) -> None:
    """Residuals and derivatives of a mark, over sigma and times the weight's root.

    Fills T, for each block free + 2 rows of `BLOCK`: the derivatives and in row `free` the
    residuals; and sums: cost, weighted r² in grey², weights, pixels.
    """
    kind, p, q, template = mark
    white, sigma, scale = noise
    inverse = 1.0 / (sigma * sigma)
    prepare_row(kind, p, q, c)
    robust = inverse / (scale * scale) if scale > 0.0 else 0.0
    most = scale * scale / 3.0 if scale > 0.0 else 0.0
    unit = math.sqrt(inverse)
    cost = squares = weights = count = 0.0
    row = 0
    for first in range(0, pixels.shape[1], BLOCK):
        load_block(pixels, first, p, w)
        fill_grey(kind, p, q, c, template, w)
        here = min(pixels.shape[1] - first, BLOCK)
        for i in range(BLOCK):
            f, value = w[MODEL + i], w[GREY + i]
            r = value - f
            # At least as bright as the picture can show: no more is known, but for a weak wish
            # that it be not much brighter, without which nothing would hold the brightness.
            clipped = value >= white and f >= white
            inside = max(1.0 - r * r * robust, 0.0)
            root = inside if scale > 0.0 else 1.0  # of the weight
            loss = most * (1.0 - inside * inside * inside) if scale > 0.0 else r * r * inverse
            real = 1.0 if i < here else 0.0
            full = 0.0 if clipped else real
            cost += real * (_CLIPPED * r * r * inverse if clipped else loss)
            squares += full * root * root * r * r
            weights += full * root * root
            count += full if root > 0.0 else 0.0
            root = math.sqrt(_CLIPPED) if clipped else root
            w[GREY + i] = real * root * unit
            w[ALONG + i] *= w[GREY + i]
            w[MODEL + i] = r
        for a in range(free):
            to, by = T[row + a], w[J + a * BLOCK : J + (a + 1) * BLOCK]
            times = w[GREY : GREY + BLOCK] if LIGHT_X <= a <= LIGHT_Y else w[ALONG : ALONG + BLOCK]
            for i in range(BLOCK):
                to[i] = by[i] * times[i]
        to = T[row + free]
        for i in range(BLOCK):
            to[i] = w[MODEL + i] * w[GREY + i]
        row += free + 2
    sums[0], sums[1], sums[2], sums[3] = cost, squares, weights, count


@njit(cache=True, error_model="numpy")
def _products(T: Array, free: int, H: Array, g: Array) -> None:
    """H = J^T J (lower half) and g = J^T r, two rows by two, so that the sums stay in registers."""
    for a in range(free):
        g[a] = 0.0
        for b in range(free):
            H[a, b] = 0.0
    for row in range(0, T.shape[0], free + 2):
        r = T[row + free]
        for a in range(0, free, 2):
            A, B = T[row + a], T[row + a + 1]
            s = t = 0.0
            for i in range(BLOCK):
                s += A[i] * r[i]
                t += B[i] * r[i]
            g[a] += s
            g[a + 1] += t
            for b in range(0, a + 1, 2):
                C, D = T[row + b], T[row + b + 1]
                s = t = u = v = 0.0
                for i in range(BLOCK):
                    s += A[i] * C[i]
                    t += A[i] * D[i]
                    u += B[i] * C[i]
                    v += B[i] * D[i]
                H[a, b] += s
                H[a, b + 1] += t
                H[a + 1, b] += u
                H[a + 1, b + 1] += v


@njit(cache=True, error_model="numpy")
def _factor(H: Array, free: int, damping: float, L: Array) -> None:
    """Cholesky factor of H + damping diag(H), a tiny ridge where a parameter has no effect."""
    for a in range(free):
        for b in range(a + 1):
            t = H[a, b]
            if a == b:
                t += damping * H[a, a]
            for k in range(b):
                t -= L[a, k] * L[b, k]
            if a == b:
                L[a, a] = math.sqrt(max(t, 1e-12 * H[a, a] + 1e-30))
            else:
                L[a, b] = t / L[b, b]


@njit(cache=True, error_model="numpy")
def _solve(L: Array, free: int, right: Array, x: Array) -> float:
    """Solve L L^T x = right; returns right . x."""
    total = 0.0
    for a in range(free):
        t = right[a]
        for k in range(a):
            t -= L[a, k] * x[k]
        x[a] = t / L[a, a]
        total += x[a] * x[a]
    for a in range(free - 1, -1, -1):
        t = x[a]
        for k in range(a + 1, free):
            t -= L[k, a] * x[k]
        x[a] = t / L[a, a]
    return total


@njit(cache=True, error_model="numpy")
def _covariance(
    T: Array,
    L: Array,
    free: int,
    pixels: Array,
    precision: Array,
    sums: Array,
    space: _FitSpace,
    out: Array,
) -> None:
    """H^-1 M H^-1 for position and contrast, from the derivatives and residuals in T.

    M is weighted by the leverages (HC2 of MacKinnon and White 1985), unbiased for white noise.
    """
    rows, unit = space.matrices[_SPARE:_FACTOR], space.matrices[_STEP]
    w = space.block
    fitted = 0.0  # parameters count as far as the pixels, not the prior, determine them
    for a in range(free):
        for b in range(free):
            unit[b] = 0.0
        unit[a] = 1.0
        fitted += 1.0 - min(precision[a] * _solve(L, free, unit, rows[a]), 1.0)
    uu = uv = vv = cc = 0.0
    for row in range(0, T.shape[0], free + 2):
        r, leverage = T[row + free], T[row + free + 1]
        leverage[:] = 0.0
        for a in range(0, free, 2):
            A, B = T[row + a], T[row + a + 1]
            for b in range(0, a + 1, 2):
                C, D = T[row + b], T[row + b + 1]
                twice = 1.0 if a == b else 2.0
                s, t = twice * rows[a, b], twice * rows[a, b + 1]
                u, v = twice * rows[a + 1, b], twice * rows[a + 1, b + 1]
                for i in range(BLOCK):
                    leverage[i] += A[i] * (s * C[i] + t * D[i]) + B[i] * (u * C[i] + v * D[i])
        U, V, C = w[:BLOCK], w[BLOCK : 2 * BLOCK], w[2 * BLOCK : 3 * BLOCK]
        U[:] = V[:] = C[:] = 0.0
        for a in range(free):
            A = T[row + a]
            for i in range(BLOCK):
                U[i] += rows[0, a] * A[i]
                V[i] += rows[1, a] * A[i]
                C[i] += rows[CONTRAST, a] * A[i]
        for i in range(BLOCK):
            # a pixel's residual is smaller than its error by what it pulled the fit
            r2 = r[i] * r[i] / max(1.0 - leverage[i], _LEAST_REST)
            uu += U[i] * U[i] * r2
            uv += U[i] * V[i] * r2
            vv += V[i] * V[i] * r2
            cc += C[i] * C[i] * r2
        for i in range(BLOCK):
            T[row, i], T[row + 1, i] = U[i], V[i]  # for the noise that clumps
    more = correlated_variance(T, free, pixels, fitted)
    uu, uv, vv = uu + more[0], uv + more[1], vv + more[2]
    out[VAR_UU], out[COV_UV], out[VAR_VV] = uu, uv, vv
    for a in range(free):
        out[VAR_UU] += rows[0, a] ** 2 * precision[a]
        out[COV_UV] += rows[0, a] * rows[1, a] * precision[a]
        out[VAR_VV] += rows[1, a] ** 2 * precision[a]
    out[RESIDUAL_VARIANCE] *= sums[3] / max(sums[3] - fitted, 1.0)
    out[CONTRAST_SD] = math.sqrt(cc)
    out[LIGHT_SD] = math.sqrt(max(rows[LIGHT_X, LIGHT_X], rows[LIGHT_Y, LIGHT_Y]))


@njit(cache=True, error_model="numpy")
def _is_sane(p: Array, start: Array) -> bool:
    """Whether a trial shape is worth evaluating: sharp enough to sample, not turned inside out."""
    if not _EDGE_LOW < p[EDGE_SD] < _EDGE_HIGH:
        return False
    old = start[W_UX] * start[W_VY] - start[W_UY] * start[W_VX]
    new = p[W_UX] * p[W_VY] - p[W_UY] * p[W_VX]
    return bool(new * old > 0.0 and 1.0 / _AREA < new / old < _AREA)


@njit(cache=True, error_model="numpy")
def _fit_mark(
    mark: MarkRow,
    pixels: Array,
    prior: _MarkPrior,
    noise: _MarkNoise,
    control: FitControl,
    space: _FitSpace,
    out: Array,
) -> None:
    """Improve the mark's p in place from these pixels (3, m: x, y, grey); fill out (`OUTPUTS`)."""
    n, m, p, free = PARAMETERS, pixels.shape[1], mark.p, control.free
    centre, precision = prior
    H, some, L = (
        space.matrices[:n],
        space.matrices[_SPARE:_FACTOR],
        space.matrices[_FACTOR:_VECTORS],
    )
    g, step, start = space.matrices[_GRADIENT], space.matrices[_STEP], space.matrices[_START]
    trial, sums = space.matrices[_TRIAL], space.matrices[_SUMS]
    blocks = (m + BLOCK - 1) // BLOCK
    T = space.derivatives[: blocks * (free + 2) * BLOCK].reshape((blocks * (free + 2), BLOCK))
    tried = MarkRow(mark.kind, trial, mark.q, mark.template)
    damping, best, converged, done = 0.0, 1e300, False, 0
    last = 0.0  # gain expected of the step before
    for a in range(n):
        start[a] = trial[a] = p[a]
    while done < control.passes and not converged:
        done += 1
        _evaluate(tried, pixels, noise, free, some[0], space.block, T, sums)
        off = 0.0
        for a in range(free):
            off += precision[a] * (trial[a] - centre[a]) ** 2
        if sums[0] + off <= best:
            best = sums[0] + off
            out[RESIDUAL_VARIANCE] = sums[1] / max(sums[2], 1.0)
            out[WEIGHT_SUM], out[COST] = sums[2], sums[0]
            _products(T, free, H, g)
            for a in range(free):
                p[a] = trial[a]
                g[a] -= precision[a] * (p[a] - centre[a])
                H[a, a] += precision[a]
            damping = 0.0 if damping < _DAMPING else damping * _EASE
        else:
            damping = max(damping * _STIFFEN, _DAMPING)
        gain = 0.0
        for _ in range(_TRIES):
            _factor(H, free, damping, L)
            gain = _solve(L, free, g, step)
            for a in range(free):
                trial[a] = p[a] + step[a]
            if _is_sane(trial, start):
                break
            damping = max(damping * _STIFFEN, _DAMPING_INSANE)
        # Steps shrink at least as fast as they did, where no pixel's weight changes, so the next
        # one's gain can be foretold.
        small = gain < _SETTLED or gain * gain < _SETTLED * last
        converged = damping < _DAMPING_INSANE and small
        last = gain if damping == 0.0 and sums[2] == m else 0.0
    out[PASSES] = done if converged else -done
    _factor(H, free, 0.0, L)
    _covariance(T, L, free, pixels, precision, sums, space, out)
    for a in range(free):
        p[a] = trial[a] if converged else p[a]


@njit(cache=True, nogil=True, error_model="numpy")
def fit_many(
    rows: MarkRows,
    lists: PixelLists,
    prior: FitPrior,
    noise: FitNoise,
    control: FitControl,
    out: Array,
) -> None:
    """Improve the marks' p in place; fill out (n, OUTPUTS), places named in
    `tracker.marks.parameters`. Marks without pixels are left alone.
    """
    count, first = rows.p.shape[0], lists.first
    most = 0
    for i in range(count):
        most = max(most, first[i + 1] - first[i])
    space = _FitSpace(
        np.zeros((_MATRIX_ROWS, PARAMETERS)),
        np.zeros(WORK),
        np.empty((control.free + 2) * (most + BLOCK)),
    )
    for i in range(count):
        if first[i + 1] > first[i]:
            template = rows.templates[rows.template_at[i, 0] : rows.template_at[i, 1]]
            _fit_mark(
                MarkRow(rows.kinds[i], rows.p[i], rows.q[i], template),
                lists.pixels[:, first[i] : first[i + 1]],
                _MarkPrior(prior.centre[i], prior.precision[i]),
                _MarkNoise(noise.white, noise.sigma[i], noise.scale[i]),
                control,
                space,
                out[i],
            )
