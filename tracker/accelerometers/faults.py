"""Faults that a channel shows by itself: clipping, dead stretches, early ends, missing samples."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, mask_runs
from calibration.constants import GRAVITY
from tracker.accelerometers.options import ACCELEROMETERS

Kind = Literal["scale", "offset", "polarity", "saturation", "time_shift", "dropout", "axis_swap"]


@dataclass(frozen=True)
class ChannelFault:
    """What is wrong with a channel, how much, and how sure that is."""

    channel: str
    kind: Kind
    estimate: float
    u: float
    unit: str
    text: str


def bridge(time: Array, values: Array) -> tuple[Array, int]:
    """Values with missing stretches of up to 1 ms interpolated, and how many samples that was."""
    missing = ~np.isfinite(values)
    out = values.copy()
    filled = 0
    for start, end in mask_runs(missing):
        inside = start > 0 and end < len(values)
        if inside and time[end] - time[start - 1] <= ACCELEROMETERS.bridged + (time[1] - time[0]):
            out[start:end] = np.interp(
                time[start:end],
                (time[start - 1], time[end]),
                (values[start - 1], values[end]),
            )
            filled += end - start
    return out, filled


def find_saturation(
    channel: str, time: Array, values: Array, full_scale: float | None
) -> ChannelFault | None:
    """Clipping at the full scale, or flat tops at the channel's own extremes.

    A flat top is at least three equal samples at an extreme which the neighbours leave by more
    than three of the record's smallest steps; it is only looked for in a channel with noise
    (otherwise a computed square pulse would be one).
    """
    known = np.isfinite(values)
    clipped = np.zeros(len(values), dtype=bool)
    if full_scale is not None:
        clipped |= known & (np.abs(values) >= ACCELEROMETERS.clipped_share * full_scale)
    if _is_noisy(time, values):
        for extreme in (np.nanmax(values), np.nanmin(values)):
            clipped |= _flat_top_mask(values, float(extreme))
    if not clipped.any():
        return None
    spans = mask_runs(clipped)
    level = float(np.max(np.abs(values[clipped])))
    start, end = time[spans[0][0]], time[spans[-1][1] - 1]
    samples = int(clipped.sum())
    return ChannelFault(
        channel,
        "saturation",
        level,
        ACCELEROMETERS.clip_u * level,
        "m/s2",
        f"{channel} is clipped at {level / GRAVITY:.4g} g in {samples} samples"
        f" between {start * 1e3:.1f} ms and {end * 1e3:.1f} ms:"
        " its peaks and its velocity change are too small",
    )


def find_dropout(
    channel: str, time: Array, values: Array, needed: float
) -> tuple[ChannelFault | None, float]:
    """A channel that is missing, dead or ends early, and the time up to which it is good (s).

    Early is before `needed` s after time zero. Dead is the very same reading for 5 ms or more,
    20 ms at the record's end, in a channel that has noise before time zero, away from its
    extremes (those are clipping). What is missing before time zero, or in the last 20 ms of the
    record, is no fault. An acceleration along the vehicle that never changes is dead throughout,
    with noise or without.
    """
    known = values[np.isfinite(values)]
    if channel == "ax" and len(known) and np.ptp(known) == 0.0:
        text = f"{channel} reads the same value throughout"
        first = float(time[0])
        return ChannelFault(channel, "dropout", first, float(time[1] - time[0]), "s", text), first
    dead = _dead_mask(time, values)
    wrong = (dead | ~np.isfinite(values)) & (time > 0.0)
    step = float(time[1] - time[0])
    start, end = mask_runs(wrong)[0] if wrong.any() else (len(time), len(time))
    until = float(time[min(start, len(time) - 1)])
    if end == len(time) and until >= max(needed, float(time[-1]) - ACCELEROMETERS.dead_end_time):
        return None, until
    if start == len(time):
        text = f"{channel} ends at {until * 1e3:.1f} ms"
    else:
        how = "reads the same value" if dead[start] else "has no samples"
        upto = "to its end" if end == len(time) else f"to {time[end] * 1e3:.1f} ms"
        text = f"{channel} {how} from {until * 1e3:.1f} ms {upto}"
    return ChannelFault(channel, "dropout", until, step, "s", text), until


def _dead_mask(time: Array, values: Array) -> NDArray[np.bool_]:
    """True where a channel with noise gives the very same reading for too long."""
    dead = np.zeros(len(values), dtype=bool)
    if not _is_noisy(time, values):
        return dead
    step = time[1] - time[0]
    for start, end in mask_runs(np.r_[False, np.diff(values) == 0.0]):
        extreme = values[start] in (np.nanmax(values), np.nanmin(values))
        to_the_end = end == len(values)
        least = max(
            ACCELEROMETERS.least_samples,
            round(
                (ACCELEROMETERS.dead_end_time if to_the_end else ACCELEROMETERS.dead_time) / step
            ),
        )
        if end - start + 1 >= least and (to_the_end or not extreme):
            dead[start - 1 : end] = True
    return dead


def _is_noisy(time: Array, values: Array) -> bool:
    """True where the channel's reading changes from sample to sample before time zero."""
    quiet = values[(time < 0) & np.isfinite(values)]
    if len(quiet) < ACCELEROMETERS.least_samples:
        return False
    return bool((np.diff(quiet) != 0).mean() > ACCELEROMETERS.noisy_share)


def _flat_top_mask(values: Array, extreme: float) -> NDArray[np.bool_]:
    at = values == extreme
    flat = np.zeros(len(values), dtype=bool)
    distinct = np.unique(values[np.isfinite(values)])
    step = float(np.diff(distinct).min()) if len(distinct) > 1 else 0.0
    for start, end in mask_runs(at):
        around = np.r_[values[max(0, start - 3) : start], values[end : end + 3]]
        if (
            end - start >= ACCELEROMETERS.clip_samples
            and len(around)
            and np.abs(around - extreme).mean() > ACCELEROMETERS.clip_steps * step
        ):
            flat[start:end] = True
    return flat
