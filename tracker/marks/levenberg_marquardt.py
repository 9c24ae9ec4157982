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

from calibration.arrays import Array
from tracker.marks.edge_profile import FAST
from tracker.marks.image_model import PARAMETERS, grey, prepare
from tracker.marks.workspace import ALONG, BLOCK, GREY, MODEL, WORK, J, X, Y

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
def _load(pixels: Array, first: int, p: Array, w: Array) -> None:
    """A block of the pixel list into w, filled up behind its end."""
    here = min(pixels.shape[1] - first, BLOCK)
    for i in range(here):
        w[X + i] = pixels[0, first + i]
        w[Y + i] = pixels[1, first + i]
        w[GREY + i] = pixels[2, first + i]
    for i in range(here, BLOCK):
        w[X + i], w[Y + i], w[GREY + i] = p[0], p[1], 0.0


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
    c: Array,
    w: Array,
    T: Array,
    sums: Array,
) -> None:
    """Residuals and derivatives at p, over sigma (inverse = 1/sigma²) and times the weight's root.

    Fills T, for each block free + 2 rows of `BLOCK`: the derivatives and in row `free` the
    residuals; and sums: cost, weighted r² in grey², weights, pixels.
    """
    prepare(kind, p, q, c)
    robust = inverse / (scale * scale) if scale > 0.0 else 0.0
    most = scale * scale / 3.0 if scale > 0.0 else 0.0
    unit = math.sqrt(inverse)
    cost = squares = weights = count = 0.0
    row = 0
    for first in range(0, pixels.shape[1], BLOCK):
        _load(pixels, first, p, w)
        grey(kind, p, q, c, template, w)
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
            cost += real * (CLIPPED * r * r * inverse if clipped else loss)
            squares += full * root * root * r * r
            weights += full * root * root
            count += full if root > 0.0 else 0.0
            root = math.sqrt(CLIPPED) if clipped else root
            w[GREY + i] = real * root * unit
            w[ALONG + i] *= w[GREY + i]
            w[MODEL + i] = r
        for a in range(free):
            to, by = T[row + a], w[J + a * BLOCK : J + (a + 1) * BLOCK]
            times = w[GREY : GREY + BLOCK] if a == 9 or a == 10 else w[ALONG : ALONG + BLOCK]
            for i in range(BLOCK):
                to[i] = by[i] * times[i]
        to = T[row + free]
        for i in range(BLOCK):
            to[i] = w[MODEL + i] * w[GREY + i]
        row += free + 2
    sums[0], sums[1], sums[2], sums[3] = cost, squares, weights, count


@njit(cache=True, error_model="numpy", fastmath=FAST)
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
    w: Array,
    out: Array,
) -> None:
    """H^-1 M H^-1 for position and contrast, from the derivatives and residuals in T.

    M is weighted by the leverages (HC2 of MacKinnon and White 1985), unbiased for white noise.
    """
    unit = work
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
                C[i] += rows[8, a] * A[i]
        for i in range(BLOCK):
            # a pixel's residual is smaller than its error by what it pulled the fit
            r2 = r[i] * r[i] / max(1.0 - leverage[i], 0.1)
            uu += U[i] * U[i] * r2
            uv += U[i] * V[i] * r2
            vv += V[i] * V[i] * r2
            cc += C[i] * C[i] * r2
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
    w: Array,
    room: Array,
    out: Array,
) -> None:
    """Improve p (16) in place from these pixels (3, m: x, y, grey); fill out (see `OUTPUTS`).

    The prior is `centre` with `precision` (1/sd², 0 for none, huge to hold a parameter). Only the
    first `free` (even) parameters can move. work (ROOM, 16), w (WORK), room ((free + 2) times m
    rounded up to whole blocks): to work in.
    """
    n, m = PARAMETERS, pixels.shape[1]
    H, some, L = work[:n], work[n : 2 * n], work[2 * n : 3 * n]
    g, step, start = work[3 * n], work[3 * n + 1], work[3 * n + 2]
    trial, sums = work[3 * n + 3], work[3 * n + 4]
    blocks = (m + BLOCK - 1) // BLOCK
    T = room[: blocks * (free + 2) * BLOCK].reshape((blocks * (free + 2), BLOCK))
    inverse = 1.0 / (sigma * sigma)
    damping, best, converged, done = 0.0, 1e300, False, 0
    last = 0.0  # gain expected of the step before
    for a in range(n):
        start[a] = trial[a] = p[a]
    while done < passes and not converged:
        done += 1
        _evaluate(
            kind, trial, q, template, pixels, white, inverse, scale, free, some[0], w, T, sums
        )
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
        # Steps shrink at least as fast as they did, where no pixel's weight changes, so the next
        # one's gain can be foretold.
        converged = damping < 1e-2 and (gain < SETTLED or gain * gain < SETTLED * last)
        last = gain if damping == 0.0 and sums[2] == m else 0.0
    out[5] = done if converged else -done
    _factor(H, free, 0.0, L)
    _covariance(T, L, free, precision, sums, some, step, w, out)
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
    """`fit_one` for every row of p; `pixels_at` (n + 1) and `template_at` (n, 2) part the lists."""
    most = 0
    for i in range(p.shape[0]):
        most = max(most, pixels_at[i + 1] - pixels_at[i])
    work, w = np.zeros((ROOM, PARAMETERS)), np.zeros(WORK)
    room = np.empty((free + 2) * (most + BLOCK))
    for i in range(p.shape[0]):
        if pixels_at[i + 1] > pixels_at[i]:
            fit_one(
                kinds[i],
                p[i],
                q[i],
                templates[template_at[i, 0] : template_at[i, 1]],
                pixels[:, pixels_at[i] : pixels_at[i + 1]],
                white,
                sigma[i],
                scale[i],
                centre[i],
                precision[i],
                free,
                passes,
                work,
                w,
                room,
                out[i],
            )


@njit(cache=True, error_model="numpy", fastmath=FAST)
def greys(kind: int, p: Array, q: Array, template: Array, pixels: Array) -> Array:
    """The model's grey at pixels (3, m: x, y, grey), not clipped."""
    c, w = np.zeros(16), np.zeros(WORK)
    prepare(kind, p, q, c)
    found = np.empty(pixels.shape[1])
    for first in range(0, len(found), BLOCK):
        _load(pixels, first, p, w)
        grey(kind, p, q, c, template, w)
        for i in range(min(len(found) - first, BLOCK)):
            found[first + i] = w[MODEL + i]
    return found
