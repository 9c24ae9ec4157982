"""Channel frequency classes: the two-pass Butterworth filter of SAE J211-1 and ISO 6487."""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy import signal

from calibration.arrays import Array
from calibration.errors import FILM, RecordError

Constant = Literal["sae", "iso"]

CONSTANT: dict[Constant, float] = {"sae": 2.0775, "iso": 25.0 / 12.0}
"""Cut-off of one pass over the class: SAE J211-1 appendix C prints 2.0775, ISO 6487 annex A 1.25
times 5/3. They differ by 0.3 % in frequency."""

CLASSES = (60, 180, 600, 1000)

END_TIME = 0.010  # s of reflected samples at each end
END_SAMPLES = 100  # at least
START_SAMPLES = 10  # averaged for the start value


def cfc_coefficients(
    cfc: float, interval: float, constant: Constant = "sae"
) -> tuple[tuple[float, float, float], tuple[float, float]]:
    """Coefficients (a0, a1, a2), (b1, b2) of one pass at the sample interval (s).

    Y[t] = a0 X[t] + a1 X[t-1] + a2 X[t-2] + b1 Y[t-1] + b2 Y[t-2].
    A second-order Butterworth low pass whose cut-off is the constant times the class, by the
    bilinear transform: SAE J211-1 appendix C; ISO 6487 annex A differs in the constant alone.
    """
    cut_off = CONSTANT[constant] * cfc
    forward, feedback = signal.butter(2, cut_off, fs=1.0 / interval)
    a0, a1, a2 = (float(v) for v in forward)
    return (a0, a1, a2), (-float(feedback[1]), -float(feedback[2]))


def least_rate(cfc: float) -> float:
    """Lowest sample rate (1/s) for a class: ten times its frequency (SAE J211-1)."""
    return 10.0 * cfc


def cfc_filter(
    values: Array, interval: float, cfc: float, constant: Constant = "sae", *, where: str = "signal"
) -> Array:
    """Values (..., n) filtered forwards and backwards: no phase, -3 dB at cfc / 0.6 Hz.

    Both ends are lengthened by a point-symmetric reflection of 10 ms (at least 100 samples, at
    most n - 1) and each pass starts in the steady state of the mean of the first ten samples:
    ISO 6487 annex A, the lengths from memory. Only the first and last 10 ms depend on them.

    Raises
    ------
    Problem : the sample rate is below ten times the class.
    """
    if 1.0 / interval < least_rate(cfc) * (1.0 - 1e-6):
        raise RecordError(
            f"{1.0 / interval:.6g} samples/s are too few for CFC {cfc:g},"
            f" which asks for {least_rate(cfc):g}",
            where=where,
            remedy="use a lower class or a record with a higher sample rate",
            status=FILM,
        )
    a, b = cfc_coefficients(cfc, interval, constant)
    values = np.asarray(values, dtype=float)
    extra = min(max(END_SAMPLES, round(END_TIME / interval)), values.shape[-1] - 1)
    longer = reflect_ends(values, extra)
    for _ in range(2):
        longer = _one_pass(longer, a, b)[..., ::-1]
    return np.asarray(longer[..., extra : extra + values.shape[-1]], dtype=float)


def reflect_ends(values: Array, extra: int) -> Array:
    """Values (..., n) with both ends reflected through their end points: (..., n + 2 extra)."""
    if extra < 1:
        return values
    before = 2.0 * values[..., :1] - values[..., extra:0:-1]
    after = 2.0 * values[..., -1:] - values[..., -2 : -extra - 2 : -1]
    return np.concatenate((before, values, after), axis=-1)


def _one_pass(values: Array, a: tuple[float, ...], b: tuple[float, ...]) -> Array:
    feedback = np.array([1.0, -b[0], -b[1]])
    steady = signal.lfilter_zi(np.array(a), feedback)
    start = values[..., :START_SAMPLES].mean(axis=-1, keepdims=True) * steady
    filtered, _ = signal.lfilter(np.array(a), feedback, values, axis=-1, zi=start)
    return np.asarray(filtered)
