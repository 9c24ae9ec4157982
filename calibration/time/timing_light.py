"""A smooth frame-to-time map from a light that blinks at a known rate in a corner of the picture.

The light's edges (or, where it flashes for about a frame or less, the middles of its flashes) are
placed to a fraction of a frame from brightness, numbered by the period, and a spline of time over
frame number is drawn through them. Frames are as in `calibration.time.flash`: the exposure of
frame k lasts `duty_exposure` frame intervals around k.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, mask_runs
from calibration.constants import MAD_TO_SD
from calibration.findings import Diagnostic
from calibration.time.clock_spline import ClockFit, Edges, fit_clock
from calibration.time.options import TIMING_LIGHT


@dataclass(frozen=True)
class TimingLightSignal:
    """Mean grey (frames,) of a light's region, its rate in 1/s and the share of time it is lit."""

    grey: Array
    rate: float
    duty: float = 0.5


@dataclass(frozen=True)
class FrameMap:
    """Time over frame number on the light's clock, with diagnostics."""

    clock: ClockFit
    edges: int  # that it rests on
    findings: tuple[Diagnostic, ...] = ()


def frame_map(
    light: TimingLightSignal, *, nominal: float | None = None, duty_exposure: float | None = None
) -> FrameMap | Diagnostic:
    """The time of each frame by the light, or why the light can't give it.

    `nominal` (1/s) is the camera's stated rate; None if unknown. Missed flashes are bridged, edges
    off the beat are left out and counted in the findings.
    """
    grey = np.asarray(light.grey, dtype=np.float64)
    lit = _lit_share(grey, light.duty)
    if lit is None:
        return Diagnostic("timing_light_dark", "the timing light's region shows no blinking light")
    share, noise = lit
    expected = nominal / light.rate if nominal else math.nan
    crossings = np.flatnonzero((share[:-1] < 0.5) & (share[1:] >= 0.5))
    period = _period(np.diff(crossings).astype(np.float64), expected)
    if len(crossings) < TIMING_LIGHT.least_edges or not period >= TIMING_LIGHT.least_period:
        text = (
            f"the timing light shows {len(crossings)} flashes about {period:.3g} frames apart, "
            "which is too few or too fast to time the frames by"
        )
        return Diagnostic("timing_light_unusable", text)
    exposure, u_exposure = (duty_exposure, 0.0) if duty_exposure else _exposure(share, noise)
    exposure = min(max(exposure, TIMING_LIGHT.least_exposure), 1.0)

    def fitted_map(exposure: float) -> FrameMap | Diagnostic:
        edges = _find_edges(share, noise, period, light.duty, exposure, u_exposure)
        number = _beat_numbers(edges, period)
        on_beat = np.isfinite(number)
        if on_beat.sum() < TIMING_LIGHT.least_edges:
            return Diagnostic("timing_light_unusable", "the timing light keeps no regular beat")
        return _fit_map(edges.subset(on_beat), number[on_beat] / light.rate, period, len(grey))

    found = fitted_map(exposure)
    if not u_exposure or isinstance(found, Diagnostic):
        return found
    # what the exposure is wrong by moves all edges together
    other = fitted_map(
        exposure + u_exposure if exposure + u_exposure <= 1 else exposure - u_exposure
    )
    if isinstance(other, Diagnostic) or len(other.clock.mean) != len(found.clock.mean):
        return found
    change = (other.clock.mean - found.clock.mean)[:, None]
    clock = replace(found.clock, root=np.hstack([found.clock.root, change]))
    return replace(found, clock=clock)


def _lit_share(grey: Array, duty: float) -> tuple[Array, float] | None:
    """The share (frames,) of each exposure that was lit, levels following slow drift, and its
    noise; None if nothing blinks.
    """
    known = np.isfinite(grey)
    if known.sum() < TIMING_LIGHT.least_frames:
        return None
    filled = np.interp(np.arange(len(grey)), np.flatnonzero(known), grey[known])
    outer = TIMING_LIGHT.level_percentile
    low, high = np.percentile(filled, [outer, 100 - outer])
    bright = filled > (low + high) / 2
    if not bright.any() or bright.all():
        return None
    frames = np.arange(len(grey))
    blinks = int(np.count_nonzero(np.diff(bright.astype(int)) == 1))
    span = max(TIMING_LIGHT.level_frames, TIMING_LIGHT.level_flashes * len(grey) / max(1, blinks))
    dark, dark_noise = _level(frames, filled, ~bright, duty < 0.5, span, False)
    light, light_noise = _level(frames, filled, bright, duty >= 0.5, span, True)
    contrast = light - dark
    usual = float(np.median(contrast))
    noise = max(dark_noise, light_noise, TIMING_LIGHT.noise_floor * usual)
    if not usual > TIMING_LIGHT.least_contrast * noise:
        return None
    return (filled - dark) / contrast, noise / usual


def _level(
    frames: NDArray[np.intp],
    grey: Array,
    chosen: NDArray[np.bool_],
    ordinary: bool,
    span: float,
    upper: bool,
) -> tuple[Array, float]:
    """The grey (frames,) of a fully lit or dark light, and its noise.

    Frames whose neighbours are alike are whole ones; where there are none (short flashes) the
    extremes stand for them. Levels are medians in stretches of `span` frames, joined by lines.
    """
    inner = chosen.copy()
    inner[1:] &= chosen[:-1]
    inner[:-1] &= chosen[1:]
    if inner.sum() < TIMING_LIGHT.whole_frames:
        inner = chosen if ordinary else chosen & _extreme_mask(grey, chosen, upper)
    at, values = frames[inner], grey[inner]
    stretches = np.unique(np.floor(at / span), return_inverse=True)[1]
    centres = np.array([at[stretches == i].mean() for i in range(stretches.max() + 1)])
    medians = np.array([np.median(values[stretches == i]) for i in range(stretches.max() + 1)])
    level = np.interp(frames, centres, medians)
    return level, MAD_TO_SD * float(np.median(np.abs(values - level[inner])))


def _extreme_mask(grey: Array, chosen: NDArray[np.bool_], upper: bool) -> NDArray[np.bool_]:
    """Frames (frames,) at least as bright (`upper`) or as dark as the extremes of the chosen."""
    outer = TIMING_LIGHT.extreme_percentile
    if upper:
        return np.asarray(grey >= np.percentile(grey[chosen], 100 - outer))
    return np.asarray(grey <= np.percentile(grey[chosen], outer))


def _period(steps: Array, expected: float) -> float:
    """Frames a period; by the stated rates where a third of the steps agree with them."""
    if not len(steps):
        return math.nan
    near = (
        steps[np.abs(steps / expected - 1) < TIMING_LIGHT.period_near]
        if math.isfinite(expected)
        else steps[:0]
    )
    if len(near) >= TIMING_LIGHT.period_share * len(steps):
        return float(np.mean(near))
    return float(np.median(steps))


def _exposure(share: Array, noise: float) -> tuple[float, float]:
    """The exposure in frame intervals and its u: the share of edges that fall into one."""
    turns = np.flatnonzero((share[:-1] < 0.5) != (share[1:] < 0.5))
    tolerance = max(TIMING_LIGHT.partial, TIMING_LIGHT.partial_noise * noise)
    tolerance = min(TIMING_LIGHT.partial_most, tolerance)
    partial = (share[turns] > tolerance) & (share[turns] < 1 - tolerance)
    partial |= (share[turns + 1] > tolerance) & (share[turns + 1] < 1 - tolerance)
    within = (partial.sum() + 0.5) / (len(turns) + 1)
    u = math.sqrt(within * (1 - within) / (len(turns) + 1)) + TIMING_LIGHT.exposure_u
    return min(1.0, float(within) / (1 - 2 * tolerance)), u


def _find_edges(
    share: Array, noise: float, period: float, duty: float, exposure: float, u_exposure: float
) -> Edges:
    """The light's changes."""
    length = min(duty, 1 - duty) * period
    if length < TIMING_LIGHT.resolved:
        lit = share if duty <= 0.5 else 1 - share
        frame, u, half = _flash_middles(lit, noise, length, exposure)
        return Edges(frame, u, half, np.zeros(len(frame), dtype=np.intp))
    rising = _rising_edges(share, noise, exposure, u_exposure)
    falling = _rising_edges(1 - share, noise, exposure, u_exposure)
    kind = np.repeat([0, 1], [rising.shape[1], falling.shape[1]])
    frame, u, half = np.concatenate([rising, falling], axis=1)
    order = np.argsort(frame)
    edges = Edges(frame[order], u[order], half[order], kind[order])
    return edges.subset(_neighbour_mask(edges, duty * period, (1 - duty) * period))


def _neighbour_mask(edges: Edges, lit: float, dark: float) -> NDArray[np.bool_]:
    """Which edges have the next or the last one at the distance (frames) of a light that is lit or
    dark: where a cover cuts a flash off, the edge that it makes has neither.
    """
    expected = np.where(edges.kind[:-1] == 0, lit, dark)
    off = np.abs(np.diff(edges.frame) - expected) - edges.half[:-1] - edges.half[1:]
    alike = (off < TIMING_LIGHT.length_share * expected) & (edges.kind[:-1] != edges.kind[1:])
    return np.asarray(np.append(alike, False) | np.append(False, alike))


def _rising_edges(share: Array, noise: float, exposure: float, u_exposure: float) -> Array:
    """Rising edges (3, n): frame, u and half width, each from the one frame it fills in part."""
    i = np.flatnonzero((share[:-1] < 0.5) & (share[1:] >= 0.5))
    tolerance = max(TIMING_LIGHT.edge_tolerance, TIMING_LIGHT.edge_noise * noise)
    tolerance = min(TIMING_LIGHT.edge_most, tolerance)
    first, second = share[i], share[i + 1]
    in_first = (first > tolerance) & (first >= 1 - second)
    in_second = (second < 1 - tolerance) & ~in_first
    between = ~(in_first | in_second)
    part = np.where(in_first, first, second)
    frame = np.where(in_first, i, i + 1) + (0.5 - part) * exposure
    u = np.hypot(
        exposure * math.hypot(TIMING_LIGHT.edge_noise_gain * noise, TIMING_LIGHT.edge_u),
        (0.5 - part) * u_exposure,
    )
    gap = 1 - exposure + 2 * tolerance * exposure
    return np.stack(
        [
            np.where(between, i + 0.5, frame),
            np.where(between, exposure * noise + u_exposure / 2, u),
            np.where(between, gap / 2, 0.0),
        ]
    )


def _flash_middles(lit: Array, noise: float, length: float, exposure: float) -> Array:
    """Middles (3, n) of flashes of `length` frames: frame, u and half width.

    A flash that two or three frames share is placed by their shares, one that a single frame
    holds lies anywhere where no other frame would have seen it.
    """
    seen = max(TIMING_LIGHT.flash_seen, TIMING_LIGHT.flash_noise * noise)
    above = np.concatenate([[False], lit > seen, [False]])
    starts = np.flatnonzero(~above[:-1] & above[1:])
    ends = np.flatnonzero(above[:-1] & ~above[1:])
    bright = np.array([lit[a:b].max(initial=0.0) for a, b in zip(starts, ends, strict=True)])
    usual = float(np.median(bright)) if len(bright) else 1.0
    middles = []
    for start, end, most in zip(starts, ends, bright, strict=True):
        if most < TIMING_LIGHT.flash_weak * usual:
            continue
        first, last, gap = lit[start], lit[end - 1], 1 - exposure
        u = math.hypot(exposure * noise, TIMING_LIGHT.flash_u)
        if end - start == 1:
            alone = min(1 - (exposure + length) / 2, (exposure + length) / 2)
            whole = length < exposure and most > TIMING_LIGHT.flash_whole * usual
            half = (
                (exposure - length) / 2 + TIMING_LIGHT.flash_length_u * length if whole else alone
            )
            middles.append((start, u, max(half, TIMING_LIGHT.flash_u)))
        elif end - start == 2:
            reach = max(length - gap, TIMING_LIGHT.flash_reach) / 2
            middles.append((start + 0.5 + (last - first) / (last + first) * reach, u, 0.0))
        else:
            middles.append(((start + end - 1) / 2 + (last - first) * exposure / 2, u, 0.0))
    return np.array(middles, dtype=np.float64).reshape(-1, 3).T


def _beat_numbers(edges: Edges, period: float) -> Array:
    """The number of periods (n,) of each edge since the first of its kind; NaN off the beat.

    The local period follows the edges, so that a drifting speed is followed across gaps.
    """
    number = np.full(len(edges.frame), math.nan)
    rising, falling = edges.kind == 0, edges.kind == 1
    number[rising] = _beats(edges.frame[rising], period)
    known = np.flatnonzero(rising & np.isfinite(number))
    if falling.any() and len(known) >= 2:  # each belongs to the rising edge before it
        beat = _extrapolated_beats(edges.frame[falling], edges.frame[known], number[known], period)
        lag = np.angle(np.mean(np.exp(2j * np.pi * beat))) / (2 * np.pi) % 1.0
        whole = np.rint(beat - lag)
        off = np.abs(beat - lag - whole) > TIMING_LIGHT.off_beat / 2
        number[falling] = np.where(off, math.nan, whole)
    return number


def _extrapolated_beats(at: Array, frame: Array, number: Array, period: float) -> Array:
    """Beats (n,) at frames `at`, by straight lines between known beats and the period beyond."""
    outside = at - np.clip(at, frame[0], frame[-1])
    return np.asarray(np.interp(at, frame, number) + outside / period)


def _beats(frame: Array, period: float) -> Array:
    """Numbers of the beats at these frames, from the longest regular run outwards."""
    steps = np.diff(frame) / period
    good = np.abs(steps - 1) < TIMING_LIGHT.off_beat
    number = np.full(len(frame), math.nan)
    if not good.any():
        return number
    start = max(mask_runs(good), key=lambda run: run[1] - run[0])[0]
    number[start] = 0.0
    for way, rest in ((1, range(start + 1, len(frame))), (-1, range(start - 1, -1, -1))):
        last, local = start, period
        for i in rest:
            beats = (frame[i] - frame[last]) / local
            whole = round(beats)
            growth = 1 + TIMING_LIGHT.off_beat_growth * abs(whole)
            allowed = min(TIMING_LIGHT.off_beat_most, TIMING_LIGHT.off_beat * growth)
            if whole * way < 1 or abs(beats - whole) > allowed:
                continue
            number[i] = number[last] + whole
            if abs(beats - whole) < TIMING_LIGHT.on_beat:
                local += TIMING_LIGHT.period_gain * ((frame[i] - frame[last]) / whole - local)
            last = i
    return np.asarray(number - np.nanmin(number))


def _fit_map(edges: Edges, clock: Array, period: float, frames: int) -> FrameMap:
    """The map through edges at these clock readings (n,) s, without those off the beat."""
    findings = []
    exact = bool(np.any(edges.half == 0))
    keep = np.ones(len(clock), dtype=np.bool_)
    for _ in range(TIMING_LIGHT.outlier_rounds):
        fit = fit_clock(edges.subset(keep), clock[keep], period, frames)
        off = np.abs(fit.residuals(edges, clock)) / fit.interval
        off = np.maximum(off - edges.half, 0) / edges.u
        scatter = max(1.0, MAD_TO_SD * float(np.median(off[edges.half == 0])) if exact else 1.0)
        worst = float(np.max(off[keep]))
        # the worst first: a false edge bends the map and makes its neighbours look false
        worse = (
            keep
            & (off > TIMING_LIGHT.outlier * scatter)
            & (off > TIMING_LIGHT.outlier_worst * worst)
        )
        if not worse.any() or keep.sum() - worse.sum() < TIMING_LIGHT.least_edges:
            break
        keep &= ~worse
    if not keep.all():
        text = f"{int((~keep).sum())} of {len(keep)} edges of the timing light are off its beat"
        findings.append(Diagnostic("timing_light_edges", text))
    gaps = np.diff(edges.frame[keep & (edges.kind == 0)]) / period
    missed = int(np.sum(np.maximum(np.rint(gaps) - 1, 0)))
    if missed:
        text = f"{missed} flashes of the timing light are not seen and were bridged"
        findings.append(Diagnostic("timing_light_missed", text))
    if fit.scale > TIMING_LIGHT.scatter:
        text = f"the timing light's edges scatter {fit.scale:.1f} times more than its noise"
        findings.append(Diagnostic("timing_light_scatter", text))
    return FrameMap(fit, int(keep.sum()), tuple(findings))
