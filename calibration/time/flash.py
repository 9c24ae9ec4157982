"""The moment a flash or lamp comes on, to a fraction of a frame, from the brightness of a region.

A frame k whose exposure lasts `duty` frame intervals sees the light from k - duty/2 to k + duty/2
(frame units, mid-exposure at k). A lamp that comes on during it fills the fraction f of what it
gives a fully lit frame, so it came on at k + duty/2 - f duty. Grey levels are taken as
proportional to light. Source: the onset formula is common practice, no published source; the
propagation of uncertainty follows the GUM (JCGM 100), 5.1.2 and 4.3.7 (rectangular
distributions).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.findings import Diagnostic

BEFORE = 24
"""Frames before the flash that give the baseline."""
AFTER = 8
"""Fully lit frames that give the brightness of the first."""
DETECTED = 5.0
"""Standard deviations by which a frame must be brighter to count as lit."""
SATURATED = 0.98
"""Share of full scale above which a region's mean tells nothing of the light."""
DUTIES = (0.05, 0.25, 0.5, 0.75, 1.0)
"""Stand for an unknown duty."""
CODED = 0.005
"""Of a fully lit frame's light: how truly a coded film tells a sudden change (sd; measured on
rendered H.264 films, where steady frames scatter less than the first lit one errs).
"""
RISING = 1.3
"""Growth from the second to the third lit frame above which the lamp was still coming on."""


@dataclass(frozen=True)
class Onset:
    """When the light came on, in frames (mid-exposure of frame k at k); NaN if it never did."""

    frame: float
    u: float
    findings: tuple[Diagnostic, ...] = ()


@dataclass(frozen=True)
class _Lit:
    """Brightness above the dark level from the first lit frame on, and its noise."""

    first: int
    above: Array
    noise: float


def onset(grey: Array, *, white: float = math.inf, duty: float | None = None) -> Onset:
    """When a lamp or flash came on.

    Parameters
    ----------
    grey : (frames,) mean grey of a region; NaN where a frame could not be read.
    white : the full-scale grey level.
    duty : exposure over frame interval; None if unknown, which then widens `u`.

    The lamp may stay on, decay, or saturate the region; the scene's own brightness may drift
    linearly. A flash shorter than a frame says only in which frame it fired.
    """
    grey = np.asarray(grey, dtype=np.float64)
    unread = ~np.isfinite(grey)
    number = np.arange(len(grey))
    if unread.any() and not unread.all():
        grey = np.interp(number, number[~unread], grey[~unread])
    lit = _first_lit(grey, white)
    if lit is None:
        text = "no flash is seen: no frame is suddenly brighter than those before it"
        return Onset(math.nan, math.nan, (Diagnostic("flash_not_found", text),))
    findings = []
    if _flashes(lit) > 1:
        text = f"more than one flash is seen; the first, in frame {lit.first}, is taken"
        findings.append(Diagnostic("flash_repeated", text))
    if unread[max(0, lit.first - 1) : lit.first + 2].any():
        text = f"frames about the flash, near frame {lit.first}, could not be read"
        findings.append(Diagnostic("flash_unread", text))
        return Onset(float(lit.first), 3 / math.sqrt(12), tuple(findings))
    full = grey[lit.first :] >= SATURATED * white
    duties = DUTIES if duty is None else (min(max(duty, 1e-6), 1.0),)
    found = [_moments(lit, full, d) for d in duties]
    mean = float(np.mean([f.mean for f in found]))
    u = math.sqrt(float(np.mean([f.u**2 + (f.mean - mean) ** 2 for f in found])))
    findings += [found[0].finding] if found[0].finding else []
    return Onset(mean, u, tuple(findings))


def _first_lit(grey: Array, white: float) -> _Lit | None:
    """The first frame that a lamp lights."""
    steps = np.diff(grey)
    known = np.isfinite(steps) & (grey[1:] < SATURATED * white)  # clipped frames have no noise
    if known.sum() < 3:
        return None
    wobble = 1.4826 * float(np.median(np.abs(steps[known] - np.median(steps[known]))))
    wobble = max(wobble, 1e-9 * float(np.nanmax(np.abs(grey))), 1e-12)
    pairs = np.append(np.maximum(steps[:-1], steps[:-1] + steps[1:]), steps[-1])
    largest = float(np.nanmax(pairs))
    if not largest > 1.5 * DETECTED * wobble:
        return None
    rising = np.flatnonzero((steps > DETECTED * wobble) & (pairs > 0.5 * largest))
    if not len(rising):
        return None
    first = int(rising[0]) + 1
    before = np.arange(max(0, first - BEFORE), first)
    before = before[np.isfinite(grey[before])]
    if len(before) >= 8:
        line = np.polyfit(before, grey[before], 1)
        dark = np.polyval(line, np.arange(first, len(grey)))
        left = grey[before] - np.polyval(line, before)
        noise = float(np.sqrt(np.sum(left**2) / (len(before) - 2)))
        dark[2 * BEFORE :] = dark[min(2 * BEFORE, len(dark) - 1)]  # no line goes on for ever
    else:
        dark = np.full(len(grey) - first, float(np.median(grey[before])))
        noise = wobble / math.sqrt(2)
    return _Lit(first, grey[first:] - dark, max(noise, 1e-12))


def _flashes(lit: _Lit) -> int:
    """How often the light comes on, having all but gone before."""
    peak = float(np.nanmax(lit.above[:3]))
    on, count = True, 1
    for value in lit.above[1:]:
        if on and value < 0.2 * peak:
            on = False
        elif not on and value > 0.6 * peak:
            on, count = True, count + 1
    return count


@dataclass(frozen=True)
class _Time:
    """Mean and standard uncertainty of the onset, and what kept it from being better known."""

    mean: float
    u: float
    finding: Diagnostic | None = None


def _between(early: float, late: float, code: str = "", text: str = "") -> _Time:
    """Anywhere from `early` to `late`, evenly likely."""
    finding = Diagnostic(code, text) if code else None
    return _Time((early + late) / 2, (late - early) / math.sqrt(12), finding)


def _moments(lit: _Lit, full: NDArray[np.bool_], duty: float) -> _Time:
    """The onset, by what the first lit frames show."""
    k, y = lit.first, lit.above
    opens, shuts, before = k - duty / 2, k + duty / 2, k - 1 + duty / 2
    if len(y) < 3:
        return _between(before, shuts, "flash_at_end", "the flash comes on as the film ends")
    if y[1] < 0.2 * y[0]:
        text = f"the flash in frame {k} is shorter than a frame, so its time is that of the frame"
        return _between(opens, shuts, "flash_short", text)
    if full[0]:
        text = f"the flash saturates its region in frame {k}, its first, so it is known to a frame"
        return _between(before, shuts, "flash_saturated", text)
    if full[1] or y[2] < 0.5 * y[1]:
        code, what = ("flash_saturated", "saturates") if full[1] else ("flash_short", "soon leaves")
        text = f"the flash {what} its region, which leaves its onset less well known"
        early = before if y[0] > y[1] else shuts - duty * y[0] / y[1]
        return _between(early, shuts + duty * lit.noise / y[1], code, text)
    if y[2] > RISING * y[1]:
        text = "the flash rises over several frames, so its onset is known to a frame only"
        return _between(before, shuts, "flash_slow", text)
    return _resolved(lit, full, duty)


def _resolved(lit: _Lit, full: NDArray[np.bool_], duty: float) -> _Time:
    """The onset from the first lit frame's share of what a fully lit one would show.

    Every onset between the last dark frame's shutting and the first lit frame's is equally likely
    beforehand; one between two exposures gives the share 1.
    """
    k, y = lit.first, lit.above
    after = [j for j in range(1, min(len(y), AFTER + 1)) if np.isfinite(y[j]) and not full[j]]
    while len(after) > 2 and y[after[-1]] < 0.3 * y[1]:
        after.pop()
    plateau, decay, u_plateau = _at_first(np.array(after, dtype=np.float64), y[after], lit.noise)
    share = _share_of_exposure(y[0] / plateau, decay * duty)
    u = math.hypot(lit.noise / plateau, share * u_plateau / plateau, CODED)
    unlit = min(0.5, math.sqrt(2) * DETECTED * lit.noise / plateau)  # of an exposure: unnoticed
    gap = 1 - duty + unlit * duty
    a, b = -share / u, (1 - share) / u
    inside = max(_below(b) - _below(a), 1e-300)
    slope = (_bell(a) - _bell(b)) / inside
    share_mean = share + u * slope
    share_u2 = u**2 * max(1 + (a * _bell(a) - b * _bell(b)) / inside - slope**2, 1e-9)
    weight = gap * _bell(b) / u / (gap * _bell(b) / u + duty * inside)
    in_gap, in_frame = k - duty / 2 - gap / 2, k + duty / 2 - duty * share_mean
    mean = weight * in_gap + (1 - weight) * in_frame
    variance = weight * gap**2 / 12 + (1 - weight) * duty**2 * share_u2
    variance += weight * (1 - weight) * (in_gap - in_frame) ** 2
    return _Time(mean, math.sqrt(variance))


def _share_of_exposure(share: float, decay: float) -> float:
    """The share of the exposure that was lit, from the share of light.

    `decay` is the loss of the lamp's power, in powers of e, over a whole exposure, by which the
    light that arrives early in an exposure outweighs the light that arrives late.
    """
    if abs(decay) < 1e-9:
        return share
    full = 2 * math.sinh(decay / 2)  # light of a whole exposure, by mid-exposure power x decay
    rest = math.exp(-decay / 2) + share * full
    return 0.5 + math.log(rest) / decay if rest > 0 else share


def _bell(z: float) -> float:
    return math.exp(-z * z / 2) / math.sqrt(2 * math.pi) if abs(z) < 38 else 0.0


def _below(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _at_first(j: Array, y: Array, noise: float) -> tuple[float, float, float]:
    """What a fully lit frame would have shown at the first lit frame, its decay a frame, and u.

    A straight line through the logarithm where the light decays beyond doubt, else a mean.
    """
    mean = float(np.mean(y))
    if len(j) < 3 or np.any(y <= 0):
        return mean, 0.0, noise / math.sqrt(len(j))
    weights = y / noise
    design = np.column_stack([np.ones_like(j), -j]) * weights[:, None]
    (level, decay), *_ = np.linalg.lstsq(design, np.log(y) * weights, rcond=None)
    covariance = np.linalg.inv(design.T @ design)
    left = np.log(y) * weights - design @ np.array([level, decay])
    scale = max(1.0, math.sqrt(float(left @ left) / (len(j) - 2))) if len(j) > 2 else 1.0
    if abs(decay) < 2 * scale * math.sqrt(covariance[1, 1]):
        spread = float(np.std(y, ddof=1))
        return mean, 0.0, max(noise, spread) / math.sqrt(len(j))
    plateau = math.exp(level)
    return plateau, float(decay), plateau * scale * math.sqrt(covariance[0, 0])
