"""Least-squares fit of marks to lists of pixels: compiled, many marks a call, releases the GIL.

Levenberg-Marquardt on the cost
    sum rho(r / sigma) + sum ((p - p0) / sd)²,
rho(t) = t² or, with a scale c, c² log(1 + (t / c)²) (Cauchy). It stops when a step is small against
the position's own standard deviation. Covariance: H^-1 M H^-1 with M = sum w² r² J J^T + prior.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.marks.model import PARAMETERS, grey

OUTPUTS = 8
"""Per mark: 0..2 covariance uu, uv, vv; 3 residual variance; 4 mean weight; 5 passes (negative: not
converged); 6 cost over pixels; 7 standard deviation of the contrast."""


@njit(cache=True, error_model="numpy")
def _accumulate(
    kind: int,
    p: Array,
    q: Array,
    template: Array,
    pixels: Array,
    white: float,
    inverse: float,
    scale: float,
    H: Array,
    g: Array,
    J: Array,
    K: Array,
) -> tuple[float, float, float]:
    """Fill H and g (of grey² over sigma²); cost, weighted sum of r², sum of weights."""
    H[:] = 0.0
    g[:] = 0.0
    cost = squares = weights = 0.0
    robust = inverse / (scale * scale) if scale > 0.0 else 0.0
    for i in range(pixels.shape[0]):
        f = grey(kind, p, q, template, pixels[i, 0], pixels[i, 1], J, K)
        value = pixels[i, 2]
        if value >= white and f >= white:
            continue  # the mark is at least as bright as the picture can show
        r = value - f
        w = 1.0
        if scale > 0.0:
            t = 1.0 + r * r * robust
            w = 1.0 / t
            cost += scale * scale * math.log(t)
        else:
            cost += r * r * inverse
        squares += w * r * r
        weights += w
        w *= inverse
        if J[6] == 0.0 and J[0] == 0.0 and J[1] == 0.0:
            for a in range(7, 12):  # flat ground or paint: only greys and lighting matter
                t = J[a] * w
                g[a] += t * r
                for b in range(7, 12):
                    H[a, b] += t * J[b]
            for a in range(12, PARAMETERS):
                if J[a] != 0.0:
                    t = J[a] * w
                    g[a] += t * r
                    for b in range(7, PARAMETERS):
                        H[a, b] += t * J[b]
                        if b < 12:
                            H[b, a] += t * J[b]
        else:
            for a in range(PARAMETERS):
                t = J[a] * w
                g[a] += t * r
                for b in range(PARAMETERS):
                    H[a, b] += t * J[b]
    return cost, squares, weights


@njit(cache=True, error_model="numpy")
def _factor(H: Array, damping: float, L: Array) -> None:
    """Cholesky factor of H + damping diag(H), a tiny ridge where a parameter has no effect."""
    n = H.shape[0]
    for a in range(n):
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
def _solve(L: Array, right: Array, x: Array) -> None:
    n = L.shape[0]
    for a in range(n):
        t = right[a]
        for k in range(a):
            t -= L[a, k] * x[k]
        x[a] = t / L[a, a]
    for a in range(n - 1, -1, -1):
        t = x[a]
        for k in range(a + 1, n):
            t -= L[k, a] * x[k]
        x[a] = t / L[a, a]


@njit(cache=True, error_model="numpy")
def _inverse_diagonal(L: Array, k: int, x: Array) -> float:
    total = 0.0
    for a in range(k, L.shape[0]):
        t = 1.0 if a == k else 0.0
        for b in range(k, a):
            t -= L[a, b] * x[b]
        x[a] = t / L[a, a]
        total += x[a] * x[a]
    return total


@njit(cache=True, error_model="numpy")
def _covariance(
    kind: int,
    p: Array,
    q: Array,
    template: Array,
    pixels: Array,
    white: float,
    inverse: float,
    scale: float,
    L: Array,
    precision: Array,
    J: Array,
    K: Array,
    out: Array,
) -> None:
    unit = np.zeros(PARAMETERS)
    rows = np.zeros((3, PARAMETERS))
    for k in range(3):
        unit[:] = 0.0
        unit[8 if k == 2 else k] = 1.0
        _solve(L, unit, rows[k])
    a = b = c = d = 0.0
    robust = inverse / (scale * scale) if scale > 0.0 else 0.0
    count = 0
    for i in range(pixels.shape[0]):
        f = grey(kind, p, q, template, pixels[i, 0], pixels[i, 1], J, K)
        value = pixels[i, 2]
        if value >= white and f >= white:
            continue
        r = (value - f) * inverse
        if scale > 0.0:
            r /= 1.0 + (value - f) ** 2 * robust
        x = y = z = 0.0
        for k in range(PARAMETERS):
            x += rows[0, k] * J[k]
            y += rows[1, k] * J[k]
            z += rows[2, k] * J[k]
        a += (x * r) ** 2
        b += x * y * r * r
        c += (y * r) ** 2
        d += (z * r) ** 2
        count += 1
    free = 0.0  # parameters count as far as the pixels, not the prior, determine them
    for k in range(PARAMETERS):
        free += 1.0 - min(precision[k] * _inverse_diagonal(L, k, unit), 1.0)
    more = count / max(count - free, 1.0)
    for k in range(PARAMETERS):
        a += rows[0, k] ** 2 * precision[k] / more
        b += rows[0, k] * rows[1, k] * precision[k] / more
        c += rows[1, k] ** 2 * precision[k] / more
    out[0], out[1], out[2] = a * more, b * more, c * more
    out[3] *= more
    out[7] = math.sqrt(d * more)


@njit(cache=True, error_model="numpy")
def _sane(p: Array, start: Array) -> bool:
    """Whether a trial shape is worth evaluating: sharp enough to sample, not turned inside out."""
    if not 0.2 < p[6] < 50.0:
        return False
    old = start[2] * start[5] - start[3] * start[4]
    new = p[2] * p[5] - p[3] * p[4]
    return bool(new * old > 0.0 and 0.02 < new / old < 50.0)


@njit(cache=True, error_model="numpy")
def fit_one(
    kind: int,
    p: Array,
    q: Array,
    template: Array,
    pixels: Array,
    white: float,
    sigma: float,
    scale: float,
    precision: Array,
    passes: int,
    out: Array,
) -> None:
    """Improve p (16) in place from these pixels (m, 3: x, y, grey); fill out (see `OUTPUTS`).

    The prior is the given p with `precision` (1/sd², 0 for none, huge to hold a parameter).
    """
    H, L = np.zeros((PARAMETERS, PARAMETERS)), np.zeros((PARAMETERS, PARAMETERS))
    Hn, gn = np.zeros((PARAMETERS, PARAMETERS)), np.zeros(PARAMETERS)
    g, step, start, trial = np.zeros(PARAMETERS), np.zeros(PARAMETERS), p.copy(), p.copy()
    J, K = np.zeros(PARAMETERS), np.zeros(PARAMETERS)
    inverse = 1.0 / (sigma * sigma)
    damping, best, converged, done = 1e-6, 1e300, False, 0
    squares, weights, prior_best = 0.0, 1.0, 0.0
    out[:] = 0.0
    while done < passes:
        done += 1
        cost, ss, ww = _accumulate(
            kind, trial, q, template, pixels, white, inverse, scale, Hn, gn, J, K
        )
        prior = 0.0
        for a in range(PARAMETERS):
            prior += precision[a] * (trial[a] - start[a]) ** 2
        if cost + prior <= best * (1.0 + 1e-12):
            best, prior_best, squares, weights = cost + prior, prior, ss, ww
            p[:] = trial
            H[:] = Hn
            g[:] = gn
            for a in range(PARAMETERS):
                g[a] -= precision[a] * (p[a] - start[a])
                H[a, a] += precision[a]
            damping = 0.0 if damping < 1e-6 else damping * 0.1
        else:
            damping = max(damping * 8.0, 1e-3)
        for _ in range(12):
            _factor(H, damping, L)
            _solve(L, g, step)
            for a in range(PARAMETERS):
                trial[a] = p[a] + step[a]
            if _sane(trial, start):
                break
            damping = max(damping * 8.0, 1e-2)
        gain = 0.0
        for a in range(PARAMETERS):
            gain += step[a] * g[a]
        if gain < 1e-3 and damping < 1e-2:
            for a in range(PARAMETERS):
                p[a] += step[a]
            converged = True
            break
    _factor(H, 0.0, L)
    out[3] = squares / max(weights, 1.0)
    out[4] = weights
    out[5] = done if converged else -done
    out[6] = best - prior_best
    _covariance(kind, p, q, template, pixels, white, inverse, scale, L, precision, J, K, out)


@njit(cache=True, nogil=True, error_model="numpy")
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
    precision: Array,
    passes: int,
    out: Array,
) -> None:
    """`fit_one` for every row of p; `pixels_at` and `template_at` (n + 1) part the lists."""
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
                precision[i],
                passes,
                out[i],
            )


@njit(cache=True, error_model="numpy")
def render(kind: int, p: Array, q: Array, template: Array, rows: int, columns: int) -> Array:
    """The model's picture (rows, columns), not clipped."""
    J, K = np.zeros(PARAMETERS), np.zeros(PARAMETERS)
    picture = np.empty((rows, columns))
    for i in range(rows):
        for j in range(columns):
            picture[i, j] = grey(kind, p, q, template, float(j), float(i), J, K)
    return picture
