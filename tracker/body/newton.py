"""Gauss-Newton on all unknowns at once, in units of their prior sds, where the normal matrix is the
identity plus what the evidence adds: it never fails to factor, however little a film shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.body.normal import Look, information, look, misfit, on_handles
from tracker.body.root import posterior_root
from tracker.body.sensors import Feel, feel, misfelt
from tracker.body.sensors import information as felt_information
from tracker.body.setup import POSES, Setup

BLIND = 0.3
"""A component whose place at contact keeps more than this share of its prior sd is unseen."""


@dataclass(frozen=True)
class Point:
    """A set of values and how it fits: looks by eye, feels by sensor, and the objective (twice the
    negative log posterior, up to a constant).
    """

    values: Array
    looks: list[Look]
    feels: list[Feel]
    objective: float


@dataclass(frozen=True)
class System:
    """Evidence about the unknowns at a point, in units of prior sds, and the posterior's root."""

    evidence: Array  # (count, count) normal matrix of all marks and sensors
    shares: list[Array]  # the same of each eye
    felt: Array  # the same of all sensors
    root: Array  # (count, count) of the posterior covariance, in prior sds
    change: Array  # (count,) Gauss-Newton step, prior sds
    decrement: float  # squared length of the step in posterior sds


def unit(setup: Setup, values: Array, sd: Array) -> Array:
    """Values less prior mean in prior sds (count,); 0 where the prior sd is 0."""
    away = values - setup.mean()
    return np.asarray(np.divide(away, sd, out=np.zeros_like(away), where=sd > 0))


def point(setup: Setup, values: Array, sd: Array, weights: list[Array]) -> Point:
    """Values with their looks and objective."""
    looks = [look(setup, values, k) for k in range(len(setup.eyes))]
    feels = [feel(setup, values, k) for k in range(len(setup.sensors))]
    return reweighted(setup, Point(values, looks, feels, 0.0), sd, weights)


def reweighted(setup: Setup, at: Point, sd: Array, weights: list[Array]) -> Point:
    """The same point under other prior sds and weights."""
    values, looks = at.values, at.looks
    total = float(np.sum(unit(setup, values, sd) ** 2) + values @ setup.tether @ values)
    for seen, weight in zip(looks, weights, strict=True):
        lost = setup.eyes[seen.eye].measured & ~seen.usable
        total += misfit(seen, np.where(seen.usable, weight, 0.0)) + 1e6 * int(lost.sum())
    return Point(values, looks, at.feels, total + misfelt(setup, at.feels))


def system(
    setup: Setup, at: Point, sd: Array, weights: list[Array], held: NDArray[np.bool_] | None = None
) -> System:
    """The Gauss-Newton step at a point; unknowns that are `held` (count,) stay where they are."""
    shares, pull = [], -unit(setup, at.values, sd) - sd * (setup.tether @ at.values)
    local = np.zeros((setup.count, setup.count))
    for seen, weight in zip(at.looks, weights, strict=True):
        raw = information(setup, seen, np.where(seen.usable, weight, 0.0))
        local += raw[0]
        matrix, side = on_handles(setup, *raw)
        matrix *= sd
        matrix *= sd[:, None]
        shares.append(matrix)
        pull += side * sd
    felt = np.zeros_like(local)
    if at.feels:
        raw = felt_information(setup, at.feels)
        local += raw[0]
        felt, side = on_handles(setup, *raw)
        felt *= sd
        felt *= sd[:, None]
        pull += side * sd
    evidence = np.sum([*shares, felt], axis=0)
    root = posterior_root(setup, local, evidence, sd)
    change = root @ (root.T @ pull)
    if held is not None and held.any():
        # the step of the others, given that these stay
        stay = root[held]
        change = change - root @ (stay.T @ np.linalg.solve(stay @ stay.T, change[held]))
        change[held] = 0.0
    return System(evidence, shares, felt, root, change, float(pull @ change))


def unseen(setup: Setup, s: System) -> NDArray[np.bool_]:
    """Unknowns (count,) of components that the marks say next to nothing about. They are left where
    they are believed to be: what is not seen must not bend what is, by shrinking the whole motion
    towards a camera, say. Their uncertainty counts in full.
    """
    variance = np.sum(s.root**2, axis=1)
    out = np.zeros(setup.count, dtype=bool)
    for body, part in zip(setup.bodies, setup.spline, strict=True):
        place, rate = (variance[part].reshape(-1, POSES)[k] > BLIND**2 for k in range(2))
        still = np.tile(place & rate, (body.basis.count, 1))
        still[0] = place
        out[part] = still.ravel()
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
    return np.asarray(s.root @ s.root.T)
