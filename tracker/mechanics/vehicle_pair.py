"""Two vehicles that strike, along ground x: the estimate and draws of both together.

Row 0 of every array is the estimate, the rows after it are draws from the joint posterior, with
masses and tyres drawn beside them, so that whatever is computed row by row has its uncertainty in
the spread of the rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from calibration.constants import GRAVITY
from tracker.core.types import Quantity
from tracker.mechanics.options import MECHANICS
from tracker.outcome.headline import COLUMN, PosteriorSamples
from tracker.record.schema import MASS_U


@dataclass(frozen=True)
class Pair:
    """The striking and the struck vehicle from time zero on; k rows, n times."""

    time: Array  # (n,) s from 0
    striking_mass: Array  # (k,) kg
    struck_mass: Array  # (k,) kg
    rolling: Array  # (k,) friction of the striking vehicle over its weight
    striking_way: Array  # (k, n) m since time zero
    struck_way: Array  # (k, n) m
    striking_speed: Array  # (k, n) m/s
    struck_speed: Array  # (k, n) m/s
    force: Array  # (k, n) N between them, on the striking vehicle's evidence

    @property
    def closing(self) -> Array:
        """How far the vehicles have closed up since time zero (k, n), m."""
        return self.striking_way - self.struck_way

    @property
    def closing_speed(self) -> Array:
        """Its rate (k, n), m/s."""
        return self.striking_speed - self.struck_speed


def make_pair(
    striking: PosteriorSamples,
    struck: PosteriorSamples,
    masses: tuple[float, float],
    mass_u: tuple[float | None, float | None] = (None, None),
    seed: int = 3,
) -> Pair | None:
    """Both vehicles' motions, at the same times from time zero on, as a `Pair`.

    Parameters
    ----------
    striking, struck : motions along at least ground x, draws in the same order of both.
    masses : of striking and struck vehicle, kg.
    mass_u : their standard uncertainties, kg; None takes `MASS_U` of the mass.

    The force is the striking mass times its deceleration less what its tyres take. None where the
    motion along x is not determined.
    """
    rng = np.random.default_rng(seed)
    rows = len(striking.draws)
    both = [np.concatenate((v.state[None], v.draws)) for v in (striking, struck)]
    x, v, a = ([each[..., COLUMN[c]] for each in both] for c in ("x_m", "vx_mps", "ax_mps2"))
    if not all(np.isfinite(part[0]).all() for part in (*x, *v, *a)) or len(striking.time) < 3:
        return None

    def with_draws(mean: float, u: float) -> Array:
        return np.concatenate(([mean], mean + u * rng.standard_normal(rows)))

    heavy = [
        with_draws(mass, MASS_U * mass if u is None else u)
        for mass, u in zip(masses, mass_u, strict=True)
    ]
    rolling = np.abs(with_draws(MECHANICS.rolling, MECHANICS.rolling_u))
    braking = a[0].copy()
    braking[:, 0] = braking[:, 1]  # at time zero itself the acceleration has not set in yet
    return Pair(
        striking.time,
        heavy[0],
        heavy[1],
        rolling,
        x[0] - x[0][:, :1],
        x[1] - x[1][:, :1],
        v[0],
        v[1],
        -heavy[0][:, None] * (braking + rolling[:, None] * GRAVITY),
    )


def quantity(rows: Array, unit: str, time: float | None = None) -> Quantity:
    """Row 0 with the spread of the others as its standard uncertainty."""
    return Quantity(float(rows[0]), unit, float(np.std(rows[1:], ddof=1)), time)


def at_time(pair: Pair, values: Array, when: float) -> Array:
    """Values (k, n) at one time (k,), straight between the samples."""
    k = int(np.clip(np.searchsorted(pair.time, when, side="right") - 1, 0, len(pair.time) - 2))
    share = (when - pair.time[k]) / (pair.time[k + 1] - pair.time[k])
    return np.asarray((1 - share) * values[:, k] + share * values[:, k + 1])
