"""The moment a flash or lamp comes on, to a fraction of a frame, from the brightness of a region.

A frame k whose exposure lasts `duty` frame intervals sees the light from k - duty/2 to k + duty/2
(frame units, mid-exposure at k). Grey levels are taken as proportional to light. Flicker that the
region has in common with the rest of the picture is taken out. A lamp that is seen to come on is
fitted by its rise, peak and decay (`lamp_fit`); one that is gone after a frame, or that saturates
the region, is known to lie in a span. Source: common practice, no published source; u of a span by
the GUM (JCGM 100), 4.3.7 (rectangular distributions).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from calibration.arrays import Array
from calibration.constants import MAD_TO_SD
from calibration.findings import Diagnostic
from calibration.time.lamp_fit import LampOnset, LitFrames, lamp_onset
from calibration.time.options import FLASH

DUTIES = (0.05, 0.25, 0.5, 0.75, 1.0)
"""Stand for an unknown duty."""
CODED = (0.005, 0.015, 0.05)
"""Shares of a sudden change by which a movie may show it wrongly, equally likely: H.264 of crf 12,
19 and 26 (rendered films with a flash, standard deviations)."""


@dataclass(frozen=True)
class Onset:
    """When the light came on, in frames (mid-exposure of frame k at k); NaN if it never did.

    A rise too quick to be seen puts the onset `hidden` earlier or later, with `hidden_u` (frames).
    """

    frame: float
    u: float
    findings: tuple[Diagnostic, ...] = ()
    hidden: float = 0.0
    hidden_u: float = 0.0


@dataclass(frozen=True)
class _Lit:
    """A region's grey, and where a lamp lights it first."""

    grey: Array  # (frames,)
    rest: Array  # (frames,) relative, of the rest of the picture; 0 where the region doesn't follow
    unread_mask: NDArray[np.bool_]
    first: int
    above: Array  # (frames - first,) grey above the dark level
    noise: float  # sd of a frame

    @property
    def peak(self) -> float:
        """The lamp's greatest grey above the dark level."""
        return float(np.max(self.above[: FLASH.after_most]))


def onset(
    grey: Array,
    *,
    white: float = math.inf,
    duty: float | None = None,
    rest: Array | None = None,
    rate: float = 1000.0,
    coded: bool = False,
) -> Onset:
    """When a lamp or flash came on.

    Parameters
    ----------
    grey : (frames,) mean grey of a region; NaN where a frame could not be read.
    white : the full-scale grey level.
    duty : exposure over frame interval; None if unknown, which then widens `u`.
    rest : (frames,) mean grey of the whole picture, by which flicker is taken out; None without.
    rate : frames/s, by which it is judged how fast lamps can rise.
    coded : whether the frames come out of a movie, whose coding shows sudden changes less truly.

    The lamp may rise slowly, stay on, decay, or saturate the region; the scene's own brightness may
    drift linearly. A flash shorter than a frame says only in which frame it fired.
    """
    grey = np.asarray(grey, dtype=np.float64)
    unread = ~np.isfinite(grey)
    number = np.arange(len(grey))
    if unread.any() and not unread.all():
        grey = np.interp(number, number[~unread], grey[~unread])
    lit = _first_lit(grey, *_flicker(grey, rest), unread, white)
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
    full = grey[lit.first :] >= FLASH.saturated * white
    duties = DUTIES if duty is None else (min(max(duty, 1e-6), 1.0),)
    found = _mixture([_onset(lit, full, d, rate, coded) for d in duties])
    return replace(found, findings=(*findings, *found.findings))


def _mixture(each: list[Onset]) -> Onset:
    """Equally likely onsets as one."""
    frames, hidden = np.array([o.frame for o in each]), np.array([o.hidden for o in each])
    u = math.sqrt(np.mean([o.u**2 for o in each]) + np.var(frames))
    hidden_u = math.sqrt(np.mean([o.hidden_u**2 for o in each]) + np.var(hidden))
    return Onset(float(frames.mean()), u, each[0].findings, float(hidden.mean()), hidden_u)


def _flicker(grey: Array, rest: Array | None) -> tuple[Array, Array]:
    """Flicker and change (frames,) of the rest of the picture, relative to its middle, where the
    region follows it; else 0. A running median leaves a lamp that lights it out of the flicker.
    """
    none = np.zeros(len(grey))
    if rest is None or len(grey) < 4 * FLASH.flicker_frames or not np.isfinite(rest).any():
        return none, none
    number = np.arange(len(rest))
    rest = np.interp(number, number[np.isfinite(rest)], rest[np.isfinite(rest)])
    width = 2 * FLASH.flicker_frames + 1
    slow = median_filter(rest, width, mode="nearest")
    flicker = rest / np.maximum(slow, 1e-9) - 1
    own = grey - median_filter(grey, width, mode="nearest")
    calm = np.abs(own) <= 4 * MAD_TO_SD * np.median(np.abs(own))
    if calm.sum() < width or not flicker[calm].std() > 0 or not own[calm].std() > 0:
        return none, none
    follows = np.corrcoef(flicker[calm], own[calm])[0, 1] > FLASH.flicker_correlation
    change = rest / max(float(np.median(rest)), 1e-9) - 1
    return (flicker, change) if follows else (none, none)


def _first_lit(
    grey: Array, flicker: Array, rest: Array, unread: NDArray[np.bool_], white: float
) -> _Lit | None:
    """The first frame that a lamp lights."""
    if len(grey) < 4:
        return None
    steady = grey / (1 + flicker)
    steps = np.diff(steady)
    known = grey[1:] < FLASH.saturated * white  # clipped frames have no noise
    if known.sum() < 3:
        return None
    noise = MAD_TO_SD * float(np.median(np.abs(steps[known] - np.median(steps[known]))))
    noise = max(noise, 1e-9 * float(np.max(np.abs(grey))), 1e-12)
    pairs = np.append(np.maximum(steps[:-1], steps[:-1] + steps[1:]), steps[-1])
    largest = float(np.max(pairs))
    if not largest > FLASH.largest * FLASH.detected * noise:
        return None
    rising = np.flatnonzero((steps > FLASH.detected * noise) & (pairs > 0.5 * largest))
    if not len(rising):
        return None
    first = int(rising[0]) + 1
    while first > 1 and steps[first - 2] > FLASH.detected * noise:  # of a slow rise
        first -= 1
    before = np.arange(max(0, first - FLASH.before), first)
    if len(before) >= FLASH.line_frames:
        line = np.polyfit(before, steady[before], 1)
        dark = np.polyval(line, np.arange(first, len(grey)))
        columns = np.column_stack([np.ones(len(before)), before - first, rest[before]])
        columns = columns[:, : 3 if rest.any() else 2]
        left = grey[before] - columns @ np.linalg.lstsq(columns, grey[before])[0]
        noise = float(np.sqrt(np.sum(left**2) / (len(before) - columns.shape[1])))
        # no line goes on for ever
        dark[2 * FLASH.before :] = dark[min(2 * FLASH.before, len(dark) - 1)]
    else:
        dark = np.full(len(grey) - first, float(np.median(steady[before])))
        noise = noise / math.sqrt(2)
    return _Lit(grey, rest, unread, first, steady[first:] - dark, max(noise, 1e-12))


def _flashes(lit: _Lit) -> int:
    """How often the light comes on, having all but gone before."""
    peak = float(np.max(lit.above[:3]))
    on, count = True, 1
    for value in lit.above[1:]:
        if on and value < FLASH.gone * peak:
            on = False
        elif not on and value > FLASH.again * peak:
            on, count = True, count + 1
    return count


def _uniform_onset(early: float, late: float, code: str = "", text: str = "") -> Onset:
    """Anywhere from `early` to `late`, evenly likely."""
    findings = (Diagnostic(code, text),) if code else ()
    return Onset((early + late) / 2, (late - early) / math.sqrt(12), findings)


def _onset(lit: _Lit, full: NDArray[np.bool_], duty: float, rate: float, coded: bool) -> Onset:
    """The onset, by what the first lit frames show."""
    k, y = lit.first, lit.above
    opens, shuts, before = k - duty / 2, k + duty / 2, k - 1 + duty / 2
    if len(y) < 3:
        return _uniform_onset(before, shuts, "flash_at_end", "the flash comes on as the film ends")
    if y[1] < FLASH.short * y[0]:
        text = f"the flash in frame {k} is shorter than a frame, so its time is that of the frame"
        return _uniform_onset(opens, shuts, "flash_short", text)
    if full[0]:
        text = f"the flash saturates its region in frame {k}, its first, so it is known to a frame"
        return _uniform_onset(before, shuts, "flash_saturated", text)
    if full[1] or y[2] < FLASH.brief * y[1]:
        code, what = ("flash_saturated", "saturates") if full[1] else ("flash_short", "soon leaves")
        text = f"the flash {what} its region, which leaves its onset less well known"
        early = before if y[0] > y[1] else shuts - duty * y[0] / y[1]
        return _uniform_onset(early, shuts + duty * lit.noise / y[1], code, text)
    found = _fit(lit, full, duty, rate, coded)
    findings: tuple[Diagnostic, ...] = ()
    if found.rise > FLASH.slow:
        text = (
            f"the lamp rises with a time constant of {1e3 * found.rise / rate:.2g} ms; the moment "
            "at which it began to shine was fitted"
        )
        findings = (Diagnostic("flash_slow", text),)
    return Onset(found.frame, found.u, findings, found.hidden, found.hidden_u)


def _sudden_change(grey: Array, memory: float) -> Array:
    """How much has suddenly changed (frames,), grey: in a frame, the next, and those before it. A
    coder makes each frame of the one before; what it got wrong of a change it mends bit by bit.
    """
    step = np.abs(np.diff(grey, prepend=grey[0]))
    out = step.copy()
    for k in range(1, len(out)):
        out[k] += memory * out[k - 1]
    return np.asarray(out + np.append(step[1:], 0.0))


def _fit(lit: _Lit, full: NDArray[np.bool_], duty: float, rate: float, coded: bool) -> LampOnset:
    """The lamp's rise, peak and decay fitted to the frames about its onset."""
    k, y = lit.first, lit.above
    reached = int(np.argmax(y >= FLASH.full * lit.peak))
    count = min(int(FLASH.after_rises * reached) + FLASH.after, FLASH.after_most, len(y) - 1)
    after = np.arange(1, len(y))
    ended = full[1:] | ((after > reached) & (y[1:] < FLASH.leaving * lit.peak))
    count = min(count, int(np.argmax(ended)) if ended.any() else count)
    early = FLASH.early + FLASH.early_share * reached
    number = np.arange(max(0, int(k - early) - FLASH.before), k + count + 1)
    number = number[~lit.unread_mask[number]]
    above = np.concatenate([np.zeros(k), y])
    sudden = _sudden_change(above, FLASH.coded_memory if coded else 0.0)[number]
    dark = number < k - 1
    common = [np.ones(len(number))]
    if dark.sum() >= FLASH.line_frames:
        common.append((number - k) / FLASH.before)
    if lit.rest.any():
        common += [lit.rest[number], lit.rest[number] * above[number] / lit.peak]
    noise = max(lit.noise, FLASH.noise_least * lit.peak)
    frames = LitFrames(
        number.astype(np.float64), lit.grey[number], sudden, np.column_stack(common), duty
    )
    levels = [
        replace(frames, sd=np.hypot(noise, share * sudden))
        for share in (CODED if coded else CODED[:1])
    ]
    return lamp_onset(levels, k - 1 - early, k + FLASH.late * duty, rate)
