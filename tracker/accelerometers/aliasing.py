"""Whether a channel may hold what its sample rate could not: content folded back from above."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.accelerometers.options import ACCELEROMETERS


def alias_note(channel: str, time: Array, values: Array) -> str | None:
    """A sentence where a channel (n,) has content up to half its sample rate, else None.

    The power density near half the sample rate, less the noise before time zero, is compared with
    that below 300 Hz. Where it is less than 30 dB down the recorder had no filter, or one that is
    too wide, and content from above half the sample rate has as likely been folded into the
    channel, where no filter reaches it any more. Judged from the first 150 ms after time zero.
    """
    step = float(time[1] - time[0])
    known = np.isfinite(values)
    during = values[(time >= 0) & (time < ACCELEROMETERS.alias_span) & known]
    quiet = values[(time < 0) & known]
    half = 0.5 / step
    if (
        len(during) * step < 0.5 * ACCELEROMETERS.alias_span
        or ACCELEROMETERS.alias_edge * half < 2.0 * ACCELEROMETERS.alias_band
    ):
        return None
    low, edge = _densities(during, step, half)
    if len(quiet) * step >= ACCELEROMETERS.alias_quiet:
        _, noise = _densities(quiet, step, half)
        if edge < ACCELEROMETERS.alias_noise * noise:
            return None
        edge -= noise
    if low <= 0 or edge <= 0:
        return None
    down = 10.0 * np.log10(edge / low)
    if down < ACCELEROMETERS.alias_stop:
        return None
    return (
        f"{channel} has content up to half of its {1 / step:.6g} samples/s ({-down:.0f} dB below "
        f"that under {ACCELEROMETERS.alias_band:g} Hz): what lay above may be folded into it; "
        "ask for the recorder's anti-alias filter"
    )


def _densities(values: Array, step: float, half: float) -> tuple[float, float]:
    """Mean power density below `alias_band` and from `alias_edge` to half the sample rate."""
    window = np.hanning(len(values))
    spectrum = np.abs(np.fft.rfft(window * (values - values.mean()))) ** 2 / np.sum(window**2)
    frequency = np.fft.rfftfreq(len(values), step)
    low = spectrum[(frequency > 0) & (frequency <= ACCELEROMETERS.alias_band)]
    edge = spectrum[frequency >= ACCELEROMETERS.alias_edge * half]
    return float(low.mean()), float(edge.mean())
