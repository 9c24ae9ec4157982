"""The smallest fault of each kind that the comparison with the film would have shown."""

from __future__ import annotations

from collections.abc import Mapping
from statistics import NormalDist

import numpy as np

from calibration.arrays import Array
from tracker.core.time_series import integrate
from tracker.crosscheck.fault_hypotheses import fault_step, sound_covariance
from tracker.crosscheck.options import CROSS_CHECK, FILM_CLOCK
from tracker.crosscheck.residuals import Evidence

_LEVELS = np.linspace(0.1, 1.0, 91)


def smallest_faults(evidence: Evidence) -> Mapping[str, float | None]:
    """By kind of fault, the smallest that would have been found in 95 of 100 tests; None: none.

    scale: as a share; offset: m/s^2 or rad/s; time_shift: s; saturation: the highest level at which
    clipping would have been found; dropout: the latest time, s, at which a channel's death would.
    A fault moves the difference by its size times a vector r, and is found where it stands
    sqrt(threshold) standard deviations out: its size is (sqrt(threshold) + z) / sqrt(r' C^-1 r),
    with the covariance C of sound channels and z of the wanted power.
    """
    inverse: Array = np.asarray(np.linalg.inv(sound_covariance(evidence)), dtype=float)
    wanted = NormalDist().inv_cdf(FILM_CLOCK.power)
    threshold = fault_step(evidence)
    needed = np.sqrt(threshold) + wanted

    def smallest(shape: Array) -> float | None:
        information = float(shape @ inverse @ shape)
        return float(needed / np.sqrt(information)) if information > 0.0 else None

    scanned = np.sqrt(threshold + CROSS_CHECK.scan) + wanted
    return {
        "scale": smallest(evidence.film_part),
        "offset": smallest(evidence.line),
        "time_shift": smallest(evidence.film_rate),
        "saturation": _highest_level(evidence, inverse, float(scanned)),
        "dropout": _latest(evidence, inverse, float(scanned)),
    }


def _highest_level(evidence: Evidence, inverse: Array, needed: float) -> float | None:
    film = evidence.film
    levels = float(np.abs(film.reading).max()) * _LEVELS
    clipped = np.clip(film.reading, -levels[:, None], levels[:, None])
    lost = integrate(film.time, clipped - film.reading) @ evidence.basis
    found = _stand_out(lost, inverse) >= needed
    return float(levels[np.flatnonzero(found)[-1]]) if found.any() else None


def _latest(evidence: Evidence, inverse: Array, needed: float) -> float | None:
    lost = evidence.stopped - evidence.film_part
    found = _stand_out(lost, inverse) >= needed
    return float(evidence.stops[np.flatnonzero(found)[-1]]) if found.any() else None


def _stand_out(lost: Array, inverse: Array) -> Array:
    """How many standard deviations differences (c, j) stand out."""
    return np.asarray(np.sqrt(np.einsum("cj,jk,ck->c", lost, inverse, lost)))
