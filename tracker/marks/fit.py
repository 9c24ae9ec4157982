"""Least-squares fit of marks to lists of pixels: compiled, many marks a call, releases the GIL.

Levenberg-Marquardt on the cost
    sum rho(r / sigma) + sum ((p - p0) / sd)²,
rho(t) = t² or, with a scale c, c²/3 (1 - (1 - (t/c)²)³) up to c and constant beyond (Tukey). It
stops when a step is small against the position's own standard deviation. Covariance: H^-1 M H^-1
with M = sum w² r² J J^T + prior.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.marks.model import FAST, PARAMETERS, grey, prepare

OUTPUTS = 9
"""Per mark: 0..2 covariance uu, uv, vv; 3 residual variance; 4 sum of weights; 5 passes (negative:
not converged); 6 cost over pixels; 7 standard deviation of the contrast;
8 of the lighting (larger component)."""
SETTLED = 0.01
"""Expected gain in cost from which a step is the last: 0.1 standard deviations. What is left after
it is of second order."""
CLIPPED = 0.02
"""Weight of a clipped pixel that the model has brighter than white."""
ROOM = 3 * PARAMETERS + 8
"""Rows of the work space of `fit_one`."""


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _evaluate(
    kind: int,
    p: Array,
    q: Array,
    template: Array,
    pixels: Array,
    white: float,
    inverse: float,
    scale: float,
    free: int,
    work: Array,
    T: Array,
    sums: Array,
) -> None:
    """Residuals and derivatives at p, over sigma (inverse = 1/sigma²) and times the weight's root.

    Fills T (free + 2, m), the derivatives and in row `free` the residuals, and sums: cost,
    weighted r² in grey², weights, pixels.
    """
    J, K, c = work[0], work[1], work[2]
    prepare(kind, p, q, c)
    robust = inverse / (scale * scale) if scale > 0.0 else 0.0
    cost = squares = weights = count = 0.0
    for i in range(pixels.shape[0]):
        f = grey(kind, p, q, c, template, pixels[i, 0], pixels[i, 1], J, K)
        value = pixels[i, 2]
        r = value - f
        w = 1.0
        if value >= white and f >= white:
            # At least as bright as the picture can show: no more is known, but for a weak wish
            # that it be not much brighter, without which nothing would hold the brightness.
            w = CLIPPED
            cost += w * r * r * inverse
        elif scale > 0.0:
            t = max(1.0 - r * r * robust, 0.0)
            w = t * t
            cost += scale * scale * (1.0 - t * w) / 3.0
        else:
            cost += r * r * inverse
        if w != CLIPPED:
            squares += w * r * r
            weights += w
            count += 1.0 if w > 0.0 else 0.0
        root = math.sqrt(w * inverse)
        for a in range(free):
            T[a, i] = J[a] * root
        T[free, i] = r * root
    sums[0], sums[1], sums[2], sums[3] = cost, squares, weights, count


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _products(T: Array, free: int, H: Array, g: Array) -> None:
    """H = T T^T (lower half) and g = T r, two rows by two, so that the sums stay in registers."""
    m = T.shape[1]
    r = T[free]
    for a in range(0, free, 2):
        A, B = T[a], T[a + 1]
        s = t = 0.0
        for i in range(m):
            s += A[i] * r[i]
            t += B[i] * r[i]
        g[a], g[a + 1] = s, t
        for b in range(0, a + 1, 2):
            C, D = T[b], T[b + 1]
            s = t = u = v = 0.0
            for i in range(m):
                s += A[i] * C[i]
                t += A[i] * D[i]
                u += B[i] * C[i]
                v += B[i] * D[i]
            H[a, b], H[a, b + 1], H[a + 1, b], H[a + 1, b + 1] = s, t, u, v


@njit(cache=True, error_model="numpy", fastmath=FAST)
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


@njit(cache=True, error_model="numpy", fastmath=FAST)
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


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _covariance(
    T: Array,
    L: Array,
    free: int,
    precision: Array,
    sums: Array,
    rows: Array,
    work: Array,
    out: Array,
) -> None:
    """H^-1 M H^-1 for position and contrast, from the derivatives and residuals in T.

    M is weighted by the leverages (HC2 of MacKinnon and White 1985), unbiased for white noise.
    """
    unit, leverage = work, T[free + 1]
    fitted = 0.0  # parameters count as far as the pixels, not the prior, determine them
    leverage[:] = 0.0
    for a in range(free):
        for b in range(free):
            unit[b] = 0.0
        unit[a] = 1.0
        fitted += 1.0 - min(precision[a] * _solve(L, free, unit, rows[a]), 1.0)
        for b in range(a + 1):
            share = rows[a, b] * (1.0 if a == b else 2.0)
            A, B = T[a], T[b]
            for i in range(T.shape[1]):
                leverage[i] += share * A[i] * B[i]
    uu = uv = vv = cc = 0.0
    for i in range(T.shape[1]):
        u = v = c = 0.0
        for a in range(free):
            u += rows[0, a] * T[a, i]
            v += rows[1, a] * T[a, i]
            c += rows[8, a] * T[a, i]
        # a pixel's residual is smaller than its error by what it pulled the fit
        r2 = T[free, i] * T[free, i] / max(1.0 - leverage[i], 0.1)
        uu += u * u * r2
        uv += u * v * r2
        vv += v * v * r2
        cc += c * c * r2
    out[0], out[1], out[2] = uu, uv, vv
    for a in range(free):
        out[0] += rows[0, a] ** 2 * precision[a]
        out[1] += rows[0, a] * rows[1, a] * precision[a]
        out[2] += rows[1, a] ** 2 * precision[a]
    out[3] *= sums[3] / max(sums[3] - fitted, 1.0)
    out[7] = math.sqrt(cc)
    out[8] = math.sqrt(max(rows[9, 9], rows[10, 10]))


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _sane(p: Array, start: Array) -> bool:
    """Whether a trial shape is worth evaluating: sharp enough to sample, not turned inside out."""
    if not 0.2 < p[6] < 50.0:
        return False
    old = start[2] * start[5] - start[3] * start[4]
    new = p[2] * p[5] - p[3] * p[4]
    return bool(new * old > 0.0 and 0.02 < new / old < 50.0)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def fit_one(
    kind: int,
    p: Array,
    q: Array,
    template: Array,
    pixels: Array,
    white: float,
    sigma: float,
    scale: float,
    centre: Array,
    precision: Array,
    free: int,
    passes: int,
    work: Array,
    room: Array,
    out: Array,
) -> None:
    """Improve p (16) in place from these pixels (m, 3: x, y, grey); fill out (see `OUTPUTS`).

    The prior is `centre` with `precision` (1/sd², 0 for none, huge to hold a parameter). Only the
    first `free` (even) parameters can move. work (ROOM, 16), room ((free + 2) m): to work in.
    """
    n, m = PARAMETERS, pixels.shape[0]
    H, some, L = work[:n], work[n : 2 * n], work[2 * n : 3 * n]
    g, step, start = work[3 * n], work[3 * n + 1], work[3 * n + 2]
    trial, sums = work[3 * n + 3], work[3 * n + 4]
    T = room[: (free + 2) * m].reshape((free + 2, m))
    inverse = 1.0 / (sigma * sigma)
    damping, best, converged, done = 0.0, 1e300, False, 0
    for a in range(n):
        start[a] = trial[a] = p[a]
    while done < passes and not converged:
        done += 1
        _evaluate(kind, trial, q, template, pixels, white, inverse, scale, free, some, T, sums)
        prior = 0.0
        for a in range(free):
            prior += precision[a] * (trial[a] - centre[a]) ** 2
        if sums[0] + prior <= best:
            best = sums[0] + prior
            out[3], out[4], out[6] = sums[1] / max(sums[2], 1.0), sums[2], sums[0]
            _products(T, free, H, g)
            for a in range(free):
                p[a] = trial[a]
                g[a] -= precision[a] * (p[a] - centre[a])
                H[a, a] += precision[a]
            damping = 0.0 if damping < 1e-3 else damping * 0.1
        else:
            damping = max(damping * 8.0, 1e-3)
        gain = 0.0
        for _ in range(12):
            _factor(H, free, damping, L)
            gain = _solve(L, free, g, step)
            for a in range(free):
                trial[a] = p[a] + step[a]
            if _sane(trial, start):
                break
            damping = max(damping * 8.0, 1e-2)
        converged = gain < SETTLED and damping < 1e-2
    out[5] = done if converged else -done
    _factor(H, free, 0.0, L)
    _covariance(T, L, free, precision, sums, some, step, out)
    for a in range(free):
        p[a] = trial[a] if converged else p[a]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def fit_many(
    kinds: NDArray[np.int64],
    p: Array,
    q: Array,
    templates: Array,
    template_at: NDArray[np.int64],
    pixels: Array,
    pixels_at: NDArray[np.int64],
    white: float,
    sigma: Array,
    scale: Array,
    centre: Array,
    precision: Array,
    free: int,
    passes: int,
    out: Array,
) -> None:
    """`fit_one` for every row of p; `pixels_at` and `template_at` (n + 1) part the lists."""
    most = 0
    for i in range(p.shape[0]):
        most = max(most, pixels_at[i + 1] - pixels_at[i])
    work = np.zeros((ROOM, PARAMETERS))
    room = np.empty((free + 2) * most)
    for i in range(p.shape[0]):
        if pixels_at[i + 1] > pixels_at[i]:
            fit_one(
                kinds[i],
                p[i],
                q[i],
                templates[template_at[i] : template_at[i + 1]],
                pixels[pixels_at[i] : pixels_at[i + 1]],
                white,
                sigma[i],
                scale[i],
                centre[i],
                precision[i],
                free,
                passes,
                work,
                room,
                out[i],
            )


@njit(cache=True, error_model="numpy", fastmath=FAST)
def greys(kind: int, p: Array, q: Array, template: Array, pixels: Array) -> Array:
    """The model's grey at pixels (m, 2 or more: x, y), not clipped."""
    J, K, c = np.zeros(PARAMETERS), np.zeros(PARAMETERS), np.zeros(16)
    prepare(kind, p, q, c)
    found = np.empty(pixels.shape[0])
    for i in range(pixels.shape[0]):
        found[i] = grey(kind, p, q, c, template, pixels[i, 0], pixels[i, 1], J, K)
    return found
