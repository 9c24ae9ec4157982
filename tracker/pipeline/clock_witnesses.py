"""Which cameras bear witness to each other's clocks, for one vehicle's motion."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from calibration.arrays import Array
from tracker.camera.stage import CalibratedFilm
from tracker.crosscheck.film_clock import FilmClock
from tracker.crosscheck.options import FILM_CLOCK
from tracker.motion import Solution
from tracker.pipeline.camera_result import frame_times


def film_clock(films: Mapping[str, CalibratedFilm], solution: Solution, vehicle: str) -> FilmClock:
    """The witnesses to the clock of the motion that the films gave together."""
    agreeing = [film for film in films.values() if _is_in_time(film, solution, vehicle)]
    zero = solution.time_zero
    own_zero = sum(bool(np.isfinite(film.time.zero_frame)) for film in agreeing)
    attested = zero is not None and not zero.apart and (own_zero > 1 or len(zero.sources) > 1)
    measured = any(film.time.clock is not None for film in agreeing)
    return FilmClock(
        max(len(agreeing), 1),
        zero.u if zero is not None and attested else np.inf,
        measured,
    )


def _is_in_time(film: CalibratedFilm, solution: Solution, vehicle: str) -> bool:
    """Whether a camera shows finely that its clock keeps to the common motion, all through the
    impact.
    """
    tracks = film.followed.tracks
    own = [i for i, mark in enumerate(tracks.marks) if not mark.is_fixed]
    seen = [k for k, i in enumerate(own) if tracks.marks[i].vehicle == vehicle]
    left = solution.residuals.get(film.name)
    if left is None or not seen:
        return False
    place = np.where(tracks.measured_mask[..., None], tracks.position, np.nan)
    late, u = apparent_lag(left[:, seen], place[:, [own[k] for k in seen]])
    times = frame_times(film, solution)
    during = (times >= 0) & (times <= FILM_CLOCK.lag_until)
    sure = during & (u <= FILM_CLOCK.lag_u)
    far_enough = during.any() and times[-1] >= FILM_CLOCK.lag_until
    long_enough = sure.sum() >= FILM_CLOCK.lag_share * max(during.sum(), 1)
    most = float(np.where(sure, np.abs(late), 0.0).max())
    return bool(far_enough and long_enough and most <= FILM_CLOCK.agreed_frames)


def apparent_lag(residuals: Array, places: Array) -> tuple[Array, Array]:
    """By how many frames (f,) a camera's marks run after the common motion, and its u (f,).

    `residuals` (f, m, 2) px, seen less predicted; `places` (f, m, 2) px, NaN where not seen. The
    least-squares share of each mark's step from frame to frame in its residual, over
    `FILM_CLOCK.lag_over` frames; its u from the scatter of all residuals.
    """
    step = np.gradient(places, axis=0)
    known = np.asarray(np.isfinite(step).all(axis=2) & np.isfinite(residuals).all(axis=2))
    if not known.any():
        return np.zeros(len(places)), np.full(len(places), np.inf)
    step, left = (np.where(known[..., None], part, 0.0) for part in (step, residuals))
    over = np.ones(FILM_CLOCK.lag_over)
    both = np.convolve(np.sum(left * step, axis=(1, 2)), over, "same")
    own = np.convolve(np.sum(step**2, axis=(1, 2)), over, "same")
    scatter = np.sqrt(np.sum(left**2) / (2 * known.sum()))
    sure = np.maximum(own, 1e-12)
    return np.asarray(-both / sure), np.asarray(scatter / np.sqrt(sure))
