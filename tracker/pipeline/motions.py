"""The motions of a solution at the films' times, with draws from their joint posterior."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from tracker.camera.stage import CalibratedFilm
from tracker.motion import Draws, Solution
from tracker.motion.unseen import is_unseen_mask, unseen_spans
from tracker.pipeline.camera_result import frame_times
from tracker.pipeline.vehicle_result import VehicleMotion, sample_motion


@dataclass(frozen=True)
class SolvedMotions:
    """Every vehicle's motion, and the times at which it is given."""

    times: Mapping[str, Array]  # by camera: of each frame, s
    given_at: Array  # of the fastest camera's frames, s
    draws: Draws
    of: Mapping[str, VehicleMotion]


def sample_motions(
    films: Mapping[str, CalibratedFilm], solution: Solution, count: int, seed: int
) -> SolvedMotions:
    """The motions at the times of the fastest camera, with draws of the posterior."""
    times = {name: frame_times(film, solution) for name, film in films.items()}
    fastest = max(films, key=lambda name: films[name].time.rate, default="")
    given_at = times.get(fastest, np.empty(0))
    draws = solution.draws(count, seed)
    of = {
        v: _without_unseen(sample_motion(solution, draws, v, given_at), unseen_spans(solution, v))
        for v in solution.vehicles
    }
    return SolvedMotions(times, given_at, draws, of)


def _without_unseen(of: VehicleMotion, spans: list[tuple[float, float]]) -> VehicleMotion:
    """A motion that counts as not observed in these spans; figures across them keep their draws."""
    unseen = is_unseen_mask(of.motion.time, spans)[:, None]
    return replace(of, motion=replace(of.motion, observed_mask=of.motion.observed_mask & ~unseen))
