"""Where a vehicle came to rest: from the film, from a later photograph, or from the tape.

Reports state the place from the point of impact: so far downstream, so far to the traffic side, so
turned (doi 10.17226/27896, table 86).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from calibration.arrays import Array
from tracker.core.types import Motion, Quantity
from tracker.outcome.headline import COLUMN, PosteriorSamples, at_zero, is_at_rest
from tracker.outcome.options import OUTCOME
from tracker.outcome.traffic_face import TrafficFace

Source = Literal["film", "photograph", "tape"]


@dataclass(frozen=True)
class FinalPlace:
    """The last place of a vehicle's cg, ground axes. `at_rest` False: the film ended before."""

    x: Quantity | None  # m
    y: Quantity | None
    heading: Quantity | None  # rad
    at_rest: bool
    source: Source
    downstream: Quantity | None = None  # m along the face (or ground x) from the point of impact
    lateral: Quantity | None = None  # m off the face to the traffic side; without a face, to the
    # right of the path


@dataclass(frozen=True)
class StatedPlace:
    """A place of rest that does not come from the film: x, y (m), heading (rad), each with its u;
    NaN where it is not stated.
    """

    x: tuple[float, float]
    y: tuple[float, float]
    heading: tuple[float, float]
    source: Source


def last_moving_row(motion: Motion) -> int:
    """The last row of a motion in which the vehicle's cg still moves in plan; -1 if in none."""
    u = float(np.nan_to_num(motion.u_of("vx_mps")[-1]))
    slow = max(OUTCOME.moving_speed, OUTCOME.moving_sigmas * u)
    moving = np.flatnonzero(np.hypot(motion["vx_mps"], motion["vy_mps"]) > slow)
    return int(moving[-1]) if len(moving) else -1


def final_place(
    motion: PosteriorSamples,
    stated: StatedPlace | None,
    face: TrafficFace | None,
    impact: tuple[Array, Array] | None,
) -> FinalPlace | None:
    """The last place: as stated, else where the film ends.

    `impact` holds the ground place (2,) of the point of impact and draws (m, 2) of it, m; None:
    the cg at time zero. A place that a draw does not know is None.
    """
    if stated is not None:
        rng = np.random.default_rng(0)
        columns = [stated.x, stated.y, stated.heading]
        mean = np.array([value for value, _ in columns])
        noise = rng.standard_normal((len(motion.draws), 3))
        draws = mean + noise * [u for _, u in columns]
        us = [u for _, u in columns]
        source, stands = stated.source, True
    else:
        if not len(motion.time):
            return None
        chosen = [COLUMN[name] for name in ("x_m", "y_m", "yaw_rad")]
        mean, draws = motion.state[-1, chosen], motion.draws[:, -1, chosen]
        us = [float(np.std(draws[:, k], ddof=1)) for k in range(3)]
        source, stands = "film", is_at_rest(motion)
    if impact is None:
        impact = (_cg_at_zero(motion, motion.state[None])[0], _cg_at_zero(motion, motion.draws))
    way, ways = _from_impact(face, mean[:2], impact[0]), _from_impact(face, draws[:, :2], impact[1])
    units = ("m", "m", "rad")
    x, y, heading = (
        Quantity(float(mean[k]), units[k], us[k], at_end=not stands)
        if np.isfinite(mean[k])
        else None
        for k in range(3)
    )
    downstream, lateral = (
        Quantity(float(way[k]), "m", float(np.std(ways[:, k], ddof=1)), at_end=not stands)
        if np.isfinite(way[k])
        else None
        for k in range(2)
    )
    return FinalPlace(x, y, heading, stands, source, downstream, lateral)


def _cg_at_zero(motion: PosteriorSamples, states: Array) -> Array:
    """Ground places (k, 2) of the cg at time zero."""
    return np.stack([at_zero(motion.time, states, name) for name in ("x_m", "y_m")], axis=-1)


def _from_impact(face: TrafficFace | None, place: Array, impact: Array) -> Array:
    """Downstream and lateral distances (..., 2), see `FinalPlace`."""
    if face is None:
        return np.asarray(place - impact)
    return np.stack([face.along(place) - face.along(impact), -face.behind(place)], axis=-1)
