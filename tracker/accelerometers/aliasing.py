"""Whether a channel may hold what its sample rate could not: content folded back from above."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array

SPAN = 0.15  # s after time zero that is looked at
LEAST_QUIET = 0.02  # s before it that tell the noise
BAND = 300.0  # Hz; below it lies what CFC 180 passes (-3 dB)
EDGE = 0.8  # of half the sample rate; from there to half of it the recorder should pass nothing
STOP_BAND = -30.0  # dB; stop band of CFC 60 and 180 (SAE J211-1, as quoted publicly)
ABOVE_NOISE = 4.0  # densities at the edge below this many times that of the noise are noise


def alias_note(channel: str, time: Array, values: Array) -> str | None:
    """A sentence where a channel (n,) has content up to half its sample rate, else None.

    The power density near half the sample rate, less the noise before time zero, is compared with
    that below 300 Hz. Where it is less than 30 dB down the recorder had no filter, or one that is
    too wide, and content from above half the sample rate has as likely been folded into the
    channel, where no filter reaches it any more. Judged from the first 150 ms after time zero.
    """
    step = float(time[1] - time[0])
    known = np.isfinite(values)
    during = values[(time >= 0) & (time < SPAN) & known]
    quiet = values[(time < 0) & known]
    half = 0.5 / step
    if len(during) * step < 0.5 * SPAN or EDGE * half < 2.0 * BAND:
        return None
    low, edge = _densities(during, step, half)
    if len(quiet) * step >= LEAST_QUIET:
        _, noise = _densities(quiet, step, half)
        if edge < ABOVE_NOISE * noise:
            return None
        edge -= noise
    if low <= 0 or edge <= 0:
        return None
    down = 10.0 * np.log10(edge / low)
    if down < STOP_BAND:
        return None
    return (
        f"{channel} has content up to half of its {1 / step:.6g} samples/s ({-down:.0f} dB below "
        f"that under {BAND:g} Hz): what lay above may be folded into it; ask for the recorder's "
        "anti-alias filter"
    )


def _densities(values: Array, step: float, half: float) -> tuple[float, float]:
    """Mean power density below `BAND` and from `EDGE` to half the sample rate."""
    window = np.hanning(len(values))
    spectrum = np.abs(np.fft.rfft(window * (values - values.mean()))) ** 2 / np.sum(window**2)
    frequency = np.fft.rfftfreq(len(values), step)
    low = spectrum[(frequency > 0) & (frequency <= BAND)]
    edge = spectrum[frequency >= EDGE * half]
    return float(low.mean()), float(edge.mean())
