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

    evidence: Array  # (count, count) normal matrix of all marks
    shares: list[Array]  # the same of each eye
    root: Array  # (count, count) lower, of evidence + 1
    change: Array  # (count,) Gauss-Newton step, prior sds
    decrement: float  # squared length of the step in posterior sds


def unit(setup: Setup, values: Array, sd: Array) -> Array:
    """Values less prior mean in prior sds (count,); 0 where the prior sd is 0."""
    away = values - setup.mean()
    return np.asarray(np.divide(away, sd, out=np.zeros_like(away), where=sd > 0))


def point(setup: Setup, values: Array, sd: Array, weights: list[Array]) -> Point:
    """Values with their looks and objective."""
    return reweighted(
        setup,
        Point(values, [look(setup, values, k) for k in range(len(setup.eyes))], 0.0),
        sd,
        weights,
    )


def reweighted(setup: Setup, at: Point, sd: Array, weights: list[Array]) -> Point:
    """The same point under other prior sds and weights."""
    values, looks = at.values, at.looks
    total = float(np.sum(unit(setup, values, sd) ** 2))
    for seen, weight in zip(looks, weights, strict=True):
        lost = setup.eyes[seen.eye].measured & ~seen.usable
        total += misfit(seen, np.where(seen.usable, weight, 0.0)) + 1e6 * int(lost.sum())
    return Point(values, looks, total)


def system(setup: Setup, at: Point, sd: Array, weights: list[Array]) -> System:
    """The Gauss-Newton step at a point."""
    shares, pull = [], -unit(setup, at.values, sd)
    for seen, weight in zip(at.looks, weights, strict=True):
        raw = information(setup, seen, np.where(seen.usable, weight, 0.0))
        matrix, side = on_handles(setup, *raw)
        matrix *= sd
        matrix *= sd[:, None]
        shares.append(matrix)
        pull += side * sd
    evidence = sum(shares[1:], shares[0])
    root, failed = lapack.dpotrf(evidence + np.eye(setup.count), lower=True, clean=True)
    if failed:
        raise np.linalg.LinAlgError("normal matrix is not positive definite")
    change = cho_solve((root, True), pull)
    return System(evidence, shares, root, change, float(pull @ change))


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
