"""Whether what the evidence moved stays within what was thought of it beforehand."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array


def normalised_innovation(moved: Array, covariance: Array, least: float) -> tuple[float, int]:
    """The normalised innovation squared and its degrees of freedom.

    `moved` (n,) is by how much the evidence moved unknowns, of this `covariance` (n, n) where all
    is sound: moved' covariance^-1 moved is chi-square over the directions that the evidence
    determines, those with a variance above `least`.

    Source: Bar-Shalom, Li & Kirubarajan 2001, "Estimation with Applications to Tracking and
    Navigation", 5.4 (from memory).
    """
    values, vectors = np.linalg.eigh(covariance)
    shown = values > least
    along = vectors.T[shown] @ moved
    return float(np.sum(along**2 / values[shown])), int(shown.sum())
