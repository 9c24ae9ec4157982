"""Whether the film's clock explains a difference as well as a fault of the channel would.

Frames copied or lost unnoticed, a wrong frame rate and a wrong time zero bend what the film says of
every channel, in one way each. Such an error is a rival of a channel's fault where it leaves as
little difference on all channels together as that fault does on its own. Errors that other cameras
or another time zero would have shown (`FilmClock`) are no rivals.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.crosscheck.fault_hypotheses import FaultChoice, sound_covariance
from tracker.crosscheck.options import FILM_CLOCK
from tracker.crosscheck.predicted_channels import AXES
from tracker.crosscheck.residuals import Evidence

_STEPS = 24  # places of copied or lost frames that are tried
_RATES, _ZEROS = 9, 9


@dataclass(frozen=True)
class FilmClock:
    """What bears witness to a film's clock."""

    cameras: int = 1  # that show the motion finely, by clocks of their own, and agree throughout
    zero_u: float = float("inf")  # s, of a time zero on which two pieces of evidence agree
    rate_measured: bool = False  # by a timing light


@dataclass(frozen=True)
class ClockError:
    """One error of the film's clock: what the film's time is less the true time."""

    late: Array  # (k,) s, at the film's times
    text: str


def clock_rivals(
    evidence: Mapping[str, Evidence],
    choices: Mapping[str, FaultChoice],
    speeds: Mapping[str, Array],
    frame: float,
    clock: FilmClock,
) -> dict[str, str]:
    """By channel, the error of the film's clock that explains its difference as well, in words.

    Parameters
    ----------
    evidence, choices : by channel, of one sensor block.
    speeds : (k,) the film's velocity along each axis, m/s; 0 for a channel that has none.
    frame : s between two frames.
    clock : what bears witness to the film's.
    """
    accused = [name for name, choice in choices.items() if choice.significant]
    if not accused:
        return {}
    time = evidence[accused[0]].film.time
    errors = list(clock_errors(time, frame, clock))
    if not errors:
        return {}
    left = {name: _chi_squares(evidence[name], errors, speeds[name]) for name in choices}
    out = {}
    for name in accused:
        others = [n for n in choices if n != name]
        by_clock = left[name] + sum(left[n] for n in others)
        by_fault = choices[name].chosen.chi2 + sum(choices[n].sound.chi2 for n in others)
        best = int(np.argmin(by_clock))
        if by_clock[best] <= by_fault + FILM_CLOCK.as_good:
            out[name] = errors[best].text
    return out


def clock_errors(time: Array, frame: float, clock: FilmClock) -> Iterator[ClockError]:
    """Every error that is tried, at the film's times (k,), s; `frame`: s between frames.

    Two cameras do not lose the same frames; a rate may be wrong in both where it is only stated; a
    time zero is wrong by no more than its u allows where two pieces of evidence agree on it.
    """
    yield from _zero_errors(time, min(FILM_CLOCK.zero, FILM_CLOCK.zero_sds * clock.zero_u))
    if clock.cameras < 2 or not clock.rate_measured:
        yield from _rate_errors(time)
    if clock.cameras < 2:
        yield from _frame_errors(time, frame)


def _zero_errors(time: Array, most: float) -> Iterator[ClockError]:
    for zero in np.linspace(-most, most, _ZEROS):
        if zero:
            text = f"a time zero that is {abs(zero) * 1e3:.1f} ms {'late' if zero > 0 else 'early'}"
            yield ClockError(np.full_like(time, -zero), text)


def _rate_errors(time: Array) -> Iterator[ClockError]:
    for rate in np.linspace(-FILM_CLOCK.rate, FILM_CLOCK.rate, _RATES):
        if rate:
            text = f"a frame rate that is wrong by {100 * abs(rate):.2g} %"
            yield ClockError(rate * time, text)


def _frame_errors(time: Array, frame: float) -> Iterator[ClockError]:
    for count in range(-FILM_CLOCK.frames, FILM_CLOCK.frames + 1):
        for at in np.linspace(time[0], time[-1], _STEPS + 2)[1:-1] if count else ():
            what = "copied" if count > 0 else "lost"
            number = f"{abs(count)} frame{'s' if abs(count) > 1 else ''}"
            text = f"{number} {what} unnoticed near {at * 1e3:.0f} ms"
            late = np.where(time > at, count * frame, 0.0)
            yield ClockError(late if at > 0 else late - count * frame, text)


def corrected_integral(time: Array, integral: Array, speed: Array, late: Array) -> Array:
    """The film's integral (k,) of a channel as it is by the true clock.

    `speed` (k,) is the film's velocity along the channel's axis (0: a rate sensor's angle, which
    has no such part), `late` (k,) the film's time less the true one, s. The film's velocity is the
    true one times the rate of the true time; where that jumps, it is bridged.
    """
    true_time = time - late
    pace = np.gradient(true_time, time)
    jump = np.abs(np.gradient(late, time)) > FILM_CLOCK.jump * FILM_CLOCK.rate
    whole = integral + (speed[0] - integral[0]) if speed.any() else integral
    fine = ~jump
    if jump.any():
        near = np.abs(time[:, None] - time[None, jump]).min(axis=1) < FILM_CLOCK.bridge
        fine = ~near
    keep = np.flatnonzero(fine)
    order = keep[np.argsort(true_time[keep])]
    by_true_clock = np.where(speed.any(), whole / np.maximum(pace, 1e-6), whole)
    found = np.interp(time, true_time[order], by_true_clock[order])
    return np.asarray(found - found[0] + integral[0])


def _chi_squares(evidence: Evidence, errors: list[ClockError], speed: Array) -> Array:
    """Chi-square (c,) of a channel that is sound, beside the film with each error taken out."""
    film = evidence.film
    differences = [
        (evidence.measured - corrected_integral(film.time, film.integral, speed, error.late))
        @ evidence.basis
        for error in errors
    ]
    covariance = sound_covariance(evidence)
    stacked = np.array(differences)
    return np.asarray(np.einsum("cj,jk,ck->c", stacked, np.linalg.inv(covariance), stacked))


def film_speeds(state: Array, channels: Mapping[str, Evidence]) -> dict[str, Array]:
    """The film's velocity (k,) along each channel's axis, m/s, of states (k, 15); 0 for rates."""
    yaw = state[:, 5]
    along = np.cos(yaw) * state[:, 6] + np.sin(yaw) * state[:, 7]
    across = -np.sin(yaw) * state[:, 6] + np.cos(yaw) * state[:, 7]
    axes = dict(zip(AXES, (along, across, state[:, 8]), strict=True))
    return {name: np.nan_to_num(axes.get(name, np.zeros(len(state)))) for name in channels}
