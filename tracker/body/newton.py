"""Gauss-Newton on all unknowns at once, in units of their prior sds, where the normal matrix is the
identity plus what the evidence adds: it never fails to factor, however little a film shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, lapack

from calibration.camera import Array
from calibration.problem import Problem
from tracker.body.normal import Look, information, look, misfit, on_handles
from tracker.body.setup import POSES, Setup

BLIND = 0.3
"""A component whose place at contact keeps more than this share of its prior sd is unseen."""


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
    root: Array  # (count, count) lower, of evidence + tether + 1
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
    total = float(np.sum(unit(setup, values, sd) ** 2) + values @ setup.tether @ values)
    for seen, weight in zip(looks, weights, strict=True):
        lost = setup.eyes[seen.eye].measured & ~seen.usable
        total += misfit(seen, np.where(seen.usable, weight, 0.0)) + 1e6 * int(lost.sum())
    return Point(values, looks, total)


def system(
    setup: Setup, at: Point, sd: Array, weights: list[Array], held: NDArray[np.bool_] | None = None
) -> System:
    """The Gauss-Newton step at a point; unknowns that are `held` (count,) don't take part in it."""
    shares, pull = [], -unit(setup, at.values, sd) - sd * (setup.tether @ at.values)
    for seen, weight in zip(at.looks, weights, strict=True):
        raw = information(setup, seen, np.where(seen.usable, weight, 0.0))
        matrix, side = on_handles(setup, *raw)
        matrix *= sd
        matrix *= sd[:, None]
        shares.append(matrix)
        pull += side * sd
    evidence = np.sum(shares, axis=0)
    whole = evidence + setup.tether * sd * sd[:, None] + np.eye(setup.count)
    root = _root(whole)
    moving = root
    if held is not None and held.any():
        whole[held] = whole[:, held] = 0.0
        whole[held, held] = 1.0
        pull[held] = 0.0
        moving = _root(whole)
    change = cho_solve((moving, True), pull)
    return System(evidence, shares, root, change, float(pull @ change))


def _root(matrix: Array) -> Array:
    root, failed = lapack.dpotrf(matrix, lower=True, clean=True)
    if failed:
        raise Problem(
            "the motion can't be solved from these marks: what they say contradicts itself",
            where="tracks",
            remedy="check the picks, the survey and the camera positions",
        )
    return np.asarray(root)


def unseen(setup: Setup, s: System) -> NDArray[np.bool_]:
    """Unknowns (count,) of components that the marks say next to nothing about. They are left where
    they are believed to be: what is not seen must not bend what is, by shrinking the whole motion
    towards a camera, say. Their uncertainty counts in full.
    """
    variance = np.diag(covariance(s))
    out = np.zeros(setup.count, dtype=bool)
    for body, part in zip(setup.bodies, setup.spline, strict=True):
        blind = variance[part].reshape(-1, POSES)[0] > BLIND**2
        out[part] = np.tile(blind, body.basis.count)
    return out


def stepped(
    setup: Setup,
    at: Point,
    sd: Array,
    weights: list[Array],
    s: System,
    held: NDArray[np.bool_] | None = None,
) -> Point:
    """The point after the step; the same one if none is better. A full step along a curved valley
    may climb its side first, so it is given a second step to come down before it is shortened.
    """
    enough = at.objective + 1e-9 * abs(at.objective)
    new = point(setup, at.values + s.change * sd, sd, weights)
    if new.objective <= enough:
        return new
    if np.isfinite(new.objective):
        again = system(setup, new, sd, weights, held)
        second = point(setup, new.values + again.change * sd, sd, weights)
        if second.objective <= enough:
            return second
    share = 0.4
    while share > 1e-3:
        new = point(setup, at.values + share * s.change * sd, sd, weights)
        if new.objective <= enough:
            return new
        share *= 0.3
    return at


def covariance(s: System) -> Array:
    """Posterior covariance (count, count) in units of prior sds."""
    half, _ = lapack.dpotri(s.root, lower=True)
    return np.asarray(np.tril(half) + np.tril(half, -1).T)
