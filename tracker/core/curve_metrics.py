"""How alike two time histories are: Sprague-Geers, analysis of residuals, ISO/TS 18571.

Throughout `reference` is what is compared with and `compared` what is judged, both (n,) on the
same equal time steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import signal

from calibration.arrays import Array

W179_MEAN = 0.05  # NCHRP Web-Only Document 179, from memory
W179_DEVIATION = 0.35
W179_SPRAGUE_GEERS = 0.40

_SHIFT = 0.2  # of the record; ISO/TS 18571
_INNER, _OUTER = 0.05, 0.5  # of the reference's largest magnitude
_WARP = 0.1  # of the record
_MAGNITUDE_LIMIT, _SLOPE_LIMIT = 0.5, 2.0
_GRADES = ((0.94, "excellent"), (0.80, "good"), (0.58, "fair"))  # from memory


@dataclass(frozen=True)
class SpragueGeers:
    """Differences of magnitude, of phase, and both together; all 0 for equal histories."""

    magnitude: float
    phase: float
    comprehensive: float


@dataclass(frozen=True)
class Residuals:
    """Mean and standard deviation of the residuals over the reference's largest magnitude."""

    mean: float
    deviation: float


@dataclass(frozen=True)
class Iso18571:
    """Rating of ISO/TS 18571 and its parts, each from 0 to 1."""

    rating: float
    corridor: float
    phase: float
    magnitude: float
    slope: float
    grade: str


def sprague_geers(reference: Array, compared: Array) -> SpragueGeers:
    """Sprague and Geers' metric by the trapezoidal rule.

    M = sqrt(I_cc / I_mm) - 1, P = arccos(I_mc / sqrt(I_mm I_cc)) / pi, C = hypot(M, P). NaN where
    a history is zero throughout.
    """
    weight = np.ones(len(reference))
    weight[[0, -1]] = 0.5
    mm, cc, mc = (
        float(np.sum(weight * a * b))
        for a, b in ((reference, reference), (compared, compared), (reference, compared))
    )
    if mm <= 0.0 or cc <= 0.0:
        return SpragueGeers(float("nan"), float("nan"), float("nan"))
    magnitude = float(np.sqrt(cc / mm)) - 1.0
    phase = float(np.arccos(np.clip(mc / np.sqrt(mm * cc), -1.0, 1.0)) / np.pi)
    return SpragueGeers(magnitude, phase, float(np.hypot(magnitude, phase)))


def residuals(reference: Array, compared: Array) -> Residuals:
    """Analysis of residuals (NCHRP Web-Only Document 179, from memory), reference less compared."""
    largest = float(np.abs(reference).max())
    if largest == 0.0:
        return Residuals(float("nan"), float("nan"))
    relative = (reference - compared) / largest
    return Residuals(float(relative.mean()), float(relative.std(ddof=1)))


def is_accepted_by_w179(metric: SpragueGeers, residual: Residuals) -> bool:
    """NCHRP Web-Only Document 179: residuals within 5 and 35 %, M and P within 40 % (memory)."""
    return bool(
        abs(residual.mean) <= W179_MEAN
        and residual.deviation <= W179_DEVIATION
        and abs(metric.magnitude) <= W179_SPRAGUE_GEERS
        and metric.phase <= W179_SPRAGUE_GEERS
    )


def iso18571(reference: Array, compared: Array, interval: float = 1e-4) -> Iso18571:
    """Rating of ISO/TS 18571: 0.4 corridor + 0.2 phase + 0.2 magnitude + 0.2 slope.

    The standard samples at 0.1 ms; `interval` (s) only scales the slopes. Formulas as in public
    implementations of the technical specification. NaN parts where the reference is zero.
    """
    reference = np.ascontiguousarray(reference, dtype=float)
    compared = np.ascontiguousarray(compared, dtype=float)
    corridor = _corridor(reference, compared)
    shift, a, b = _align(reference, compared)
    limit = _SHIFT * len(reference)
    phase = max(0.0, (limit - abs(shift)) / limit)
    error, size = _warped_error(a, b, int(np.ceil(_WARP * len(a))))
    magnitude = _score(error, size, _MAGNITUDE_LIMIT)
    slope_a, slope_b = _slope(a, interval), _slope(b, interval)
    slope = _score(
        float(np.abs(slope_b - slope_a).sum()), float(np.abs(slope_a).sum()), _SLOPE_LIMIT
    )
    rating = 0.4 * corridor + 0.2 * (phase + magnitude + slope)
    return Iso18571(rating, corridor, phase, magnitude, slope, grade(rating))


def grade(rating: float) -> str:
    """The word for a rating (limits from memory)."""
    return next((word for limit, word in _GRADES if rating > limit), "poor")


def _score(error: float, size: float, limit: float) -> float:
    return max(0.0, 1.0 - error / size / limit) if size > 0.0 else float("nan")


def _corridor(reference: Array, compared: Array) -> float:
    largest = float(np.abs(reference).max())
    if largest == 0.0:
        return float("nan")
    error = np.abs(reference - compared) / largest
    return float(np.mean(np.clip((_OUTER - error) / (_OUTER - _INNER), 0.0, 1.0) ** 2))


def _align(reference: Array, compared: Array) -> tuple[int, Array, Array]:
    """Shift in samples of the highest correlation, and both histories where they overlap.

    Equal correlations go to the smallest shift, to the later one of a pair.
    """
    count = len(reference)
    most = int(_SHIFT * count)
    shifts = np.array([0, *(s for k in range(1, most + 1) for s in (k, -k))])
    # Positive shifts leave reference[: count - k] beside compared[k:], negative ones the reverse.
    products = signal.correlate(compared, reference, mode="full", method="fft")[shifts + count - 1]
    length = count - np.abs(shifts)
    a = _sums(reference, shifts < 0, shifts)
    b = _sums(compared, shifts >= 0, shifts)
    over = products - a[0] * b[0] / length
    below = np.sqrt((a[1] - a[0] ** 2 / length) * (b[1] - b[0] ** 2 / length))
    tiny = 1e-12 * float(np.abs(below).max())
    correlation = np.where(below > tiny, over / np.where(below > tiny, below, 1.0), -1.0)
    shift = int(shifts[np.argmax(correlation > correlation.max() - 1e-11)])
    if shift >= 0:
        return shift, reference[: count - shift], compared[shift:]
    return shift, reference[-shift:], compared[: count + shift]


def _sums(values: Array, late: NDArray[np.bool_], shifts: NDArray[np.intp]) -> tuple[Array, Array]:
    """Sum and sum of squares of the part that overlaps at each shift, its end if `late`."""
    size = np.abs(shifts)
    both = []
    for terms in (values, values**2):
        total = np.concatenate(([0.0], np.cumsum(terms)))
        both.append(np.where(late, total[-1] - total[size], total[len(values) - size]))
    return both[0], both[1]


@numba.njit(cache=True)
def _warped_error(a: Array, b: Array, window: int) -> tuple[float, float]:
    """Sum of |b - a| and of |a| along the cheapest warping path of squared differences."""
    count = len(a)
    width = 2 * window - 1  # j runs over i - window + 1 .. i + window - 1
    back = np.zeros((count, width), dtype=np.int8)
    above = np.full(width, np.inf)
    for i in range(count):
        row = np.full(width, np.inf)
        for k in range(width):
            j = i - window + 1 + k
            if j < 0 or j >= count:
                continue
            cost = (b[i] - a[j]) ** 2
            if i == 0 and j == 0:
                row[k] = cost
                continue
            vertical = above[k + 1] if k + 1 < width else np.inf
            horizontal = row[k - 1] if k > 0 else np.inf
            diagonal = above[k]
            least, step = vertical, 1
            if horizontal < least:
                least, step = horizontal, 2
            if diagonal < least:
                least, step = diagonal, 3
            row[k] = cost + least
            back[i, k] = step
        above = row
    i, j = count - 1, count - 1
    error, size = abs(b[i] - a[j]), abs(a[j])
    while i > 0 or j > 0:
        step = back[i, j - i + window - 1]
        if step != 2:
            i -= 1
        if step != 1:
            j -= 1
        error += abs(b[i] - a[j])
        size += abs(a[j])
    return error, size


def _slope(values: Array, interval: float) -> Array:
    """Central differences, then a moving mean of 9 points; 1, 3, 5, 7 points at the ends."""
    raw = np.gradient(values, interval)
    smooth = raw.copy()
    for k in range(1, 4):
        smooth[k] = raw[: 2 * k + 1].mean()
        smooth[-k - 1] = raw[-2 * k - 1 :].mean()
    smooth[4:-4] = np.convolve(raw, np.full(9, 1.0 / 9.0), "valid")
    return smooth
