"""The acceleration severity index by the filters of both editions of EN 1317-1."""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy import signal

from calibration.arrays import Array
from calibration.constants import GRAVITY
from tracker.core.time_series import largest_magnitude, moving_means, signal_rows

AsiFilter = Literal["mean 50 ms", "13 Hz per pass", "13 Hz combined"]

ASI_WINDOW = 0.050  # s; EN 1317-1:1998
ASI_LIMITS = (12.0, 9.0, 10.0)  # g; EN 1317-1
_TWO_PASS = (np.sqrt(2.0) - 1.0) ** 0.25  # -3 dB of two passes over the cut-off of one


def acceleration_severity(
    time: Array, ax: Array, ay: Array, az: Array, filtering: AsiFilter = "mean 50 ms"
) -> tuple[Array, Array]:
    """ASI (...,) and the time (...,) of its largest value, s.

    ASI = sqrt((ax / 12)^2 + (ay / 9)^2 + (az / 10)^2), accelerations (..., n) in g after a moving
    mean over 50 ms (EN 1317-1:1998) or a two-pass 13 Hz Butterworth filter (EN 1317-1:2010, whose
    text was not at hand: 13 Hz may be the cut-off of each pass or that of both together).
    """
    shape = ax.shape[:-1]
    axes = [signal_rows(values) / GRAVITY for values in (ax, ay, az)]
    if filtering == "mean 50 ms":
        smooth = [moving_means(time, values, ASI_WINDOW) for values in axes]
        when, parts = smooth[0][0] + 0.5 * ASI_WINDOW, [means for _, means in smooth]
    else:
        cut = 13.0 if filtering == "13 Hz per pass" else 13.0 / _TWO_PASS
        when, parts = time, [_low_pass(values, time[1] - time[0], cut) for values in axes]
    index = np.sqrt(sum((part / limit) ** 2 for part, limit in zip(parts, ASI_LIMITS, strict=True)))
    value, at = largest_magnitude(index, np.broadcast_to(when, index.shape))
    return value.reshape(shape), at.reshape(shape)


def _low_pass(values: Array, interval: float, cut: float) -> Array:
    pad = round(0.5 / interval)
    longer = np.pad(values, ((0, 0), (pad, pad)))
    b, a = signal.butter(2, cut, fs=1.0 / interval)
    smooth = signal.filtfilt(b, a, longer, axis=-1, padtype=None)
    return np.asarray(smooth[:, pad:-pad])
