"""The difference between a channel and the film, in a few numbers whose covariance is known.

Both are integrated over the same span. Their difference is projected on smooth cosines; the
film's draws give the covariance of the projections, errors shared by all frames included, and
what a sound channel may do (`ChannelTolerance`) is added to it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.time_series import integrate
from tracker.crosscheck.options import CROSS_CHECK
from tracker.crosscheck.predicted_channels import AXES, Predicted

SHIFTS: Array = 0.0005 * np.arange(-80.0, 81.0)
"""Delays that are tried, s."""


@dataclass(frozen=True)
class ChannelTolerance:
    """Standard uncertainties of a sound channel, before anything is called a fault.

    Common practice, no source, except the time: ISO 6487 allows 1 ms between any two channels,
    taken as the half-width of a uniform distribution.
    """

    scale: float = 0.01
    time: float = 0.001 / np.sqrt(3.0)  # s
    offset: float = 0.3  # m/s^2, after the reading before time zero was taken off
    vibration: float = 0.05  # m/s of structure between sensor and marks; also once, at contact
    rate_offset: float = 0.005  # rad/s
    rate_vibration: float = 0.002  # rad
    vibration_time: float = 0.005  # s over which vibration is correlated
    transverse: float = 0.015  # of another axis' velocity
    zero: float = 2.0  # m/s^2: an offset before time zero below this is not worth a finding
    rate_zero: float = 0.05  # rad/s, likewise


@dataclass(frozen=True)
class Evidence:
    """A channel and its prediction on the film's times, and their coefficients in the cosines."""

    channel: str
    film: Predicted
    measured: Array  # (k,) integral of the channel
    basis: Array  # (k, j) orthonormal columns
    film_part: Array  # (j,) the film's integral
    film_rate: Array  # (j,) its reading
    film_covariance: Array  # (j, j) of the film's integral
    stops: Array  # (c,) s, times at which the channel may have died
    stopped: Array  # (c, j) the film's integral up to each, then held
    stopped_covariance: Array  # (c, j, j)
    shifts: Array  # (s,) s, delays tried
    late_film: Array  # (s, j) the film's integral, later by each delay
    early_channel: Array  # (s, j) the channel, earlier by each delay
    measured_part: Array  # (j,)
    line: Array  # (j,) integral of an offset of 1
    offset_sd: float  # of a sound channel, SI
    own: Array  # (j, j) covariance of its other errors, scale and time excepted
    tolerance: ChannelTolerance

    @property
    def draws(self) -> int:
        """How many draws the film's covariance was estimated from."""
        return len(self.film.draws)

    def with_prediction(self, film: Predicted) -> Evidence:
        """The same channel beside another prediction."""
        return replace(self, film=film, **vars(_film_parts(film, self.basis)))


@dataclass(frozen=True)
class _FilmParts:
    film_part: Array
    film_rate: Array
    film_covariance: Array
    stops: Array
    stopped: Array
    stopped_covariance: Array
    late_film: Array


def _film_parts(film: Predicted, basis: Array) -> _FilmParts:
    """What `Evidence` holds of a prediction."""
    error = (film.draws - film.integral) @ basis
    at = np.arange(CROSS_CHECK.stop_step, len(film.time) - 1, CROSS_CHECK.stop_step)
    stopped = _stopped_coefficients(film.integral[None], basis, at)[:, 0]
    errors = _stopped_coefficients(film.draws - film.integral, basis, at)
    late = film.time - SHIFTS[:, None]
    shifted = np.interp(late, film.time, film.integral)
    shifted += film.reading[-1] * np.maximum(late - film.time[-1], 0.0)
    return _FilmParts(
        film.integral @ basis,
        (film.reading - film.reading[0]) @ basis,
        error.T @ error / len(error),
        film.time[at],
        stopped,
        np.swapaxes(errors, 1, 2) @ errors / len(error),
        (shifted - shifted[:, :1]) @ basis,
    )


def _stopped_coefficients(values: Array, basis: Array, at: NDArray[np.intp]) -> Array:
    """Coefficients (c, m, j) of histories (m, k) that stay at their value from sample `at` on."""
    summed = np.cumsum(values[:, :, None] * basis, axis=1)[:, at]
    left = basis.sum(axis=0) - np.cumsum(basis, axis=0)[at]
    return np.asarray(np.swapaxes(summed + values[:, at, None] * left, 0, 1))


@dataclass(frozen=True)
class Reading:
    """A conditioned channel, SI; its samples are finite."""

    channel: str
    time: Array  # (n,) s
    values: Array  # (n,)
    offset_u: float  # standard uncertainty of the offset that was taken off; NaN if none could be
    noise: float  # standard deviation of a sample


def channel_evidence(
    reading: Reading,
    predicted: Predicted,
    *,
    others: Array,
    excused: Array,
    tolerance: ChannelTolerance,
) -> Evidence:
    """Evidence on one channel.

    Parameters
    ----------
    reading : of the channel.
    predicted : what the film says, at the film's times (k,) inside the span to compare.
    others : (o, k) integrals of the other axes as the film predicts them.
    excused : (e, k) one standard deviation each of differences that are explained already.
    tolerance : what a sound channel may do.
    """
    k = predicted.time
    integral = integrate(reading.time, reading.values)
    read = np.interp(k + SHIFTS[:, None], reading.time, integral)
    read -= read[:, :1]
    measured = read[len(SHIFTS) // 2]
    basis = _cosines(len(k), _count(len(predicted.draws)))
    span = k - k[0]
    kind = reading.channel in AXES
    offset = tolerance.offset if kind else tolerance.rate_offset
    vibration = tolerance.vibration if kind else tolerance.rate_vibration
    zeroed = np.isfinite(reading.offset_u)
    columns = [np.zeros_like(k)]
    columns += [tolerance.transverse * other for other in others]
    columns += list(excused)
    columns.append(np.where(k > 0, vibration, 0.0))  # what gives way at contact does not come back
    stacked = np.stack(columns) @ basis
    nuisance: Array = np.asarray(stacked.T @ stacked)
    lag = np.abs(k[:, None] - k[None, :])
    # The integrals start together, so the vibration at the start stays in all of the difference.
    vibrating = vibration**2 * (1.0 + np.exp(-lag / tolerance.vibration_time))
    nuisance += basis.T @ vibrating @ basis
    if np.isfinite(reading.noise):
        density = reading.noise**2 * (reading.time[1] - reading.time[0])
        integrated_noise = density * np.minimum(span[:, None], span[None, :])
        nuisance += basis.T @ integrated_noise @ basis
    return Evidence(
        channel=reading.channel,
        film=predicted,
        measured=measured,
        basis=basis,
        **vars(_film_parts(predicted, basis)),
        shifts=SHIFTS,
        early_channel=read @ basis,
        measured_part=measured @ basis,
        # What was there before time zero is taken off: only a later offset is left to find.
        line=(np.maximum(k, 0.0) if zeroed else span) @ basis,
        offset_sd=float(np.hypot(offset, reading.offset_u))
        if zeroed
        else CROSS_CHECK.unzeroed * offset,
        own=nuisance,
        tolerance=tolerance,
    )


def _count(draws: int) -> int:
    """How many cosines: enough to distinguish faults, few enough for a covariance from draws."""
    return int(
        np.clip(
            draws // CROSS_CHECK.draws_per_cosine,
            CROSS_CHECK.fewest_cosines,
            CROSS_CHECK.most_cosines,
        )
    )


def _cosines(samples: int, count: int) -> Array:
    """Orthonormal cosines (samples, count), the constant first."""
    phase = np.pi * (np.arange(samples) + 0.5) / samples
    columns = np.cos(phase[:, None] * np.arange(min(count, samples)))
    return np.asarray(columns / np.linalg.norm(columns, axis=0))
