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
from tracker.marks.model import FAST, PARAMETERS, grey, prepare

OUTPUTS = 8
"""Per mark: 0..2 covariance uu, uv, vv; 3 residual variance; 4 mean weight; 5 passes (negative: not
converged); 6 cost over pixels; 7 standard deviation of the contrast."""


SETTLED = 1e-3
"""Expected gain in cost from which a step is the last: 0.03 standard deviations."""
ROOM = 3 * PARAMETERS + 13
"""Rows of the work space of `fit_one`."""


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _pass(
    kind: int,
    p: Array,
    q: Array,
    template: Array,
    pixels: Array,
    white: float,
    inverse: float,
    scale: float,
    rows: Array,
    H: Array,
    g: Array,
    JK: Array,
    sums: Array,
) -> None:
    """One walk over the pixels at the parameters p, residuals over sigma (inverse = 1/sigma²).

    With no `rows` it fills H and g, and sums: cost, weighted r² in grey², weights. With rows
    (3, 16) of the inverse of H (for x, y and the contrast) it fills sums: those rows' spread by the
    squared residuals, uu, uv, vv, cc, and the number of pixels.
    """
    J, K, c = JK[0], JK[1], JK[2]
    prepare(kind, p, q, c)
    H[:] = 0.0
    g[:] = 0.0
    sums[:] = 0.0
    robust = inverse / (scale * scale) if scale > 0.0 else 0.0
    for i in range(pixels.shape[0]):
        f = grey(kind, p, q, c, template, pixels[i, 0], pixels[i, 1], J, K)
        value = pixels[i, 2]
        if value >= white and f >= white:
            continue  # the mark is at least as bright as the picture can show
        r = value - f
        t = 1.0 + r * r * robust
        w = 1.0 / t
        if rows.shape[0] > 0:
            x = y = z = 0.0
            for k in range(PARAMETERS):
                x += rows[0, k] * J[k]
                y += rows[1, k] * J[k]
                z += rows[2, k] * J[k]
            r *= w * inverse
            sums[0] += (x * r) ** 2
            sums[1] += x * y * r * r
            sums[2] += (y * r) ** 2
            sums[3] += (z * r) ** 2
            sums[4] += 1.0
            continue
        sums[0] += scale * scale * math.log(t) if scale > 0.0 else r * r * inverse
        sums[1] += w * r * r
        sums[2] += w
        w *= inverse
        first = 0
        if J[0] == 0.0 and J[1] == 0.0 and J[6] == 0.0:
            first = 7  # flat ground or paint: only greys and lighting matter
        for a in range(first, PARAMETERS):
            t = J[a] * w
            if t != 0.0:
                g[a] += t * r
                for b in range(PARAMETERS):
                    H[a, b] += t * J[b]


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _factor(H: Array, damping: float, L: Array) -> None:
    """Cholesky factor of H + damping diag(H), a tiny ridge where a parameter has no effect."""
    for a in range(PARAMETERS):
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
def _solve(L: Array, right: Array, x: Array) -> float:
    """Solve L L^T x = right; returns right . x."""
    total = 0.0
    for a in range(PARAMETERS):
        t = right[a]
        for k in range(a):
            t -= L[a, k] * x[k]
        x[a] = t / L[a, a]
        total += x[a] * x[a]
    for a in range(PARAMETERS - 1, -1, -1):
        t = x[a]
        for k in range(a + 1, PARAMETERS):
            t -= L[k, a] * x[k]
        x[a] = t / L[a, a]
    return total


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
    precision: Array,
    passes: int,
    work: Array,
    out: Array,
) -> None:
    """Improve p (16) in place from these pixels (m, 3: x, y, grey); fill out (see `OUTPUTS`).

    The prior is the given p with `precision` (1/sd², 0 for none, huge to hold a parameter); work
    (ROOM, 16) is room to work.
    """
    n = PARAMETERS
    H, Hn, L, rows = work[:n], work[n : 2 * n], work[2 * n : 3 * n], work[3 * n : 3 * n + 3]
    g, gn, step, start = work[3 * n + 3], work[3 * n + 4], work[3 * n + 5], work[3 * n + 6]
    trial, sums, unit, JK = work[3 * n + 7], work[3 * n + 8], work[3 * n + 9], work[3 * n + 10 :]
    none = rows[:0]
    inverse = 1.0 / (sigma * sigma)
    damping, best, converged, done = 0.0, 1e300, False, 0
    for a in range(n):
        start[a] = trial[a] = p[a]
    while done < passes and not converged:
        done += 1
        _pass(kind, trial, q, template, pixels, white, inverse, scale, none, Hn, gn, JK, sums)
        prior = 0.0
        for a in range(n):
            prior += precision[a] * (trial[a] - start[a]) ** 2
        if sums[0] + prior <= best:
            best = sums[0] + prior
            out[3], out[4], out[6] = sums[1] / max(sums[2], 1.0), sums[2], sums[0]
            for a in range(n):
                p[a] = trial[a]
                g[a] = gn[a] - precision[a] * (p[a] - start[a])
                for b in range(n):
                    H[a, b] = Hn[a, b]
                H[a, a] += precision[a]
            damping = 0.0 if damping < 1e-3 else damping * 0.1
        else:
            damping = max(damping * 8.0, 1e-3)
        for _ in range(12):
            _factor(H, damping, L)
            gain = _solve(L, g, step)
            for a in range(n):
                trial[a] = p[a] + step[a]
            if _sane(trial, start):
                break
            damping = max(damping * 8.0, 1e-2)
        if gain < SETTLED and damping < 1e-2:
            converged = True
            for a in range(n):
                p[a] = trial[a]
    out[5] = done if converged else -done
    _factor(H, 0.0, L)
    free = 0.0  # parameters count as far as the pixels, not the prior, determine them
    for a in range(n):
        for b in range(n):
            unit[b] = 0.0
        unit[a] = 1.0
        share = precision[a] * _solve(L, unit, step)
        free += 1.0 - min(share, 1.0)
        if a < 2 or a == 8:
            for b in range(n):
                rows[min(a, 2), b] = step[b]
    _pass(kind, p, q, template, pixels, white, inverse, scale, rows, Hn, gn, JK, sums)
    more = sums[4] / max(sums[4] - free, 1.0)
    out[0], out[1], out[2] = sums[0] * more, sums[1] * more, sums[2] * more
    for a in range(n):
        out[0] += rows[0, a] ** 2 * precision[a]
        out[1] += rows[0, a] * rows[1, a] * precision[a]
        out[2] += rows[1, a] ** 2 * precision[a]
    out[3] *= more
    out[7] = math.sqrt(sums[3] * more)


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
    precision: Array,
    passes: int,
    out: Array,
) -> None:
    """`fit_one` for every row of p; `pixels_at` and `template_at` (n + 1) part the lists."""
    work = np.empty((ROOM, PARAMETERS))
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
                work,
                out[i],
            )


@njit(cache=True, error_model="numpy", fastmath=FAST)
def render(kind: int, p: Array, q: Array, template: Array, rows: int, columns: int) -> Array:
    """The model's picture (rows, columns), not clipped."""
    J, K, c = np.zeros(PARAMETERS), np.zeros(PARAMETERS), np.zeros(16)
    prepare(kind, p, q, c)
    picture = np.empty((rows, columns))
    for i in range(rows):
        for j in range(columns):
            picture[i, j] = grey(kind, p, q, c, template, float(j), float(i), J, K)
    return picture
