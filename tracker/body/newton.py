"""Gauss-Newton on all unknowns at once, in units of their prior sds, where the normal matrix is the
identity plus what the evidence adds: it never fails to factor, however little a film shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, lapack

from calibration.camera import Array
from tracker.body.normal import Look, information, look, misfit, on_handles
from tracker.body.setup import Setup


@dataclass(frozen=True)
class Point:
    """A set of values and how it fits: looks by eye, and the objective (twice the negative log
    posterior, up to a constant).
    """

    values: Array
    looks: list[Look]
    objective: float


@dataclass(frozen=True)
class System:
    """Evidence about the unknowns at a point, in units of prior sds, and the posterior's root."""

    evidence: Array  # (count, count) normal matrix of the marks
    root: Array  # (count, count) lower, of evidence + 1
    change: Array  # (count,) Gauss-Newton step, prior sds
    decrement: float  # squared length of the step in posterior sds


def unit(setup: Setup, values: Array, sd: Array) -> Array:
    """Values less prior mean in prior sds (count,); 0 where the prior sd is 0."""
    away = values - setup.mean()
    return np.asarray(np.divide(away, sd, out=np.zeros_like(away), where=sd > 0))


def point(setup: Setup, values: Array, sd: Array, weights: list[Array]) -> Point:
    """Values with their looks and objective."""
    looks = [look(setup, values, k) for k in range(len(setup.eyes))]
    total = float(np.sum(unit(setup, values, sd) ** 2))
    for seen, weight in zip(looks, weights, strict=True):
        lost = setup.eyes[seen.eye].measured & ~seen.usable
        total += misfit(seen, np.where(seen.usable, weight, 0.0)) + 1e6 * int(lost.sum())
    return Point(values, looks, total)


def gathered(setup: Setup, at: Point, weights: list[Array]) -> tuple[Array, Array]:
    """Normal matrix and right side of all eyes' marks, on handles."""
    matrix, side = np.zeros((setup.count, setup.count)), np.zeros(setup.count)
    for seen, weight in zip(at.looks, weights, strict=True):
        m, s = information(setup, seen, np.where(seen.usable, weight, 0.0))
        matrix += m
        side += s
    return on_handles(setup, matrix, side)


def system(setup: Setup, at: Point, sd: Array, weights: list[Array]) -> System:
    """The Gauss-Newton step at a point."""
    matrix, side = gathered(setup, at, weights)
    matrix *= sd
    matrix *= sd[:, None]
    pull = side * sd - unit(setup, at.values, sd)
    whole = matrix + np.eye(setup.count)
    root, failed = lapack.dpotrf(whole, lower=True, clean=True)
    if failed:
        raise np.linalg.LinAlgError("normal matrix is not positive definite")
    change = cho_solve((root, True), pull)
    return System(matrix, root, change, float(pull @ change))


def stepped(setup: Setup, at: Point, sd: Array, weights: list[Array], s: System) -> Point:
    """The point after the step, shortened until the objective falls; the same one if it can't."""
    share = 1.0
    while share > 1e-3:
        new = point(setup, at.values + share * s.change * sd, sd, weights)
        if new.objective <= at.objective + 1e-9 * abs(at.objective):
            return new
        share *= 0.5 if share > 0.3 else 0.2
    return at


def covariance(s: System) -> Array:
    """Posterior covariance (count, count) in units of prior sds."""
    half, _ = lapack.dpotri(s.root, lower=True)
    return np.asarray(np.tril(half) + np.tril(half, -1).T)


def gathered_one(setup: Setup, seen: Look, weight: Array) -> tuple[Array, Array]:
    """Normal matrix and right side of one eye's marks, on handles."""
    return on_handles(setup, *information(setup, seen, np.where(seen.usable, weight, 0.0)))
