"""Gauss-Newton on all unknowns at once, in units of their prior sds, where the normal matrix is the
identity plus what the evidence adds: it never fails to factor, however little a film shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from calibration.camera import Array
from tracker.body.noise import Noise
from tracker.body.normal import Look, columns, information, look, misfit, side_on_handles
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
class Told:
    """What the evidence says about the unknowns near a point, on B-spline coefficients."""

    local: Array  # (count, count) information of marks and sensors
    side: Array  # (count,) its right side
    felt: Array  # (count, count) information of sensors alone; empty without any
    eyes: list[tuple[Array, Array | None]]  # of each: matrix and slow errors (`information`)


@dataclass(frozen=True)
class System:
    """A Gauss-Newton step, and the posterior's root."""

    told: Told
    root: Array  # (count, count) of the posterior covariance, in prior sds
    local_root: Array  # (count, count) the same on B-spline coefficients, in their units
    change: Array  # (count,) the step, prior sds
    decrement: float  # squared length of the step in posterior sds


def unit(setup: Setup, values: Array, sd: Array) -> Array:
    """Values less prior mean in prior sds (count,); 0 where the prior sd is 0."""
    away = values - setup.mean()
    return np.asarray(np.divide(away, sd, out=np.zeros_like(away), where=sd > 0))


def point(
    setup: Setup, values: Array, sd: Array, weights: list[Array], noise: Sequence[Noise]
) -> Point:
    """Values with their looks and objective."""
    looks = [look(setup, values, k) for k in range(len(setup.eyes))]
    feels = [feel(setup, values, k) for k in range(len(setup.sensors))]
    return reweighted(setup, Point(values, looks, feels, 0.0), sd, weights, noise)


def reweighted(
    setup: Setup, at: Point, sd: Array, weights: list[Array], noise: Sequence[Noise]
) -> Point:
    """The same point under other prior sds, weights and noise."""
    values, looks = at.values, at.looks
    total = float(np.sum(unit(setup, values, sd) ** 2) + values @ setup.pull(values))
    for seen, weight, own in zip(looks, weights, noise, strict=True):
        lost = setup.eyes[seen.eye].measured & ~seen.usable
        usable = np.where(seen.usable, weight, 0.0)
        total += misfit(setup, seen, usable, own) + 1e6 * int(lost.sum())
    return Point(values, looks, at.feels, total + misfelt(setup, at.feels))


def told(setup: Setup, at: Point, weights: list[Array], noise: Sequence[Noise]) -> Told:
    """The evidence at a point."""
    local, side = np.zeros((setup.count, setup.count)), np.zeros(setup.count)
    eyes = []
    for seen, weight, own in zip(at.looks, weights, noise, strict=True):
        usable = np.where(seen.usable, weight, 0.0)
        matrix, right, rows = information(setup, seen, usable, own)
        here = columns(setup, seen.eye)
        _add(local, matrix, setup.spline[-1].stop, here)
        side[here] += right
        eyes.append((matrix, rows))
    felt = np.zeros((0, 0))
    if at.feels:
        felt, right = felt_information(setup, at.feels)
        local += felt
        side += right
    return Told(local, side, felt, eyes)


def system(
    setup: Setup, evidence: Told, values: Array, sd: Array, held: NDArray[np.bool_] | None = None
) -> System:
    """The step from `values` (count,), where the evidence was taken; unknowns that are `held`
    (count,) stay where they are.
    """
    pull = sd * (side_on_handles(setup, evidence.side) - setup.pull(values))
    pull -= unit(setup, values, sd)
    root, local_root = posterior_root(setup, evidence.local, sd)
    change = root @ (root.T @ pull)
    if held is not None and held.any():
        # the step of the others, given that these stay
        stay = root[held]
        change = change - root @ (stay.T @ np.linalg.solve(stay @ stay.T, change[held]))
        change[held] = 0.0
    return System(evidence, root, local_root, change, float(pull @ change))


def _add(whole: Array, matrix: Array, splines: int, here: NDArray[np.int64]) -> None:
    """Adds the matrix of an eye's columns `here`, the first of which are all splines'."""
    other = here[splines:]
    whole[:splines, :splines] += matrix[:splines, :splines]
    whole[:splines, other] += matrix[:splines, splines:]
    whole[other, :splines] += matrix[splines:, :splines]
    whole[np.ix_(other, other)] += matrix[splines:, splines:]


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
    noise: Sequence[Noise],
    s: System,
    held: NDArray[np.bool_] | None = None,
) -> Point:
    """The point after the step; the same one if none is better. A full step along a curved valley
    may climb its side first, so it is given a second step to come down before it is shortened.
    """
    enough = at.objective + 1e-9 * abs(at.objective)
    new = point(setup, at.values + s.change * sd, sd, weights, noise)
    if new.objective <= enough:
        return new
    if np.isfinite(new.objective):
        again = system(setup, told(setup, new, weights, noise), new.values, sd, held)
        second = point(setup, new.values + again.change * sd, sd, weights, noise)
        if second.objective <= enough:
            return second
    share = 0.4
    while share > 1e-3:
        new = point(setup, at.values + share * s.change * sd, sd, weights, noise)
        if new.objective <= enough:
            return new
        share *= 0.3
    return at


def covariance(s: System) -> Array:
    """Posterior covariance (count, count) in units of prior sds."""
    return np.asarray(s.root @ s.root.T)


def local_covariance(s: System) -> Array:
    """Posterior covariance (count, count) on B-spline coefficients for the bodies."""
    root = s.local_root
    if np.count_nonzero(root[-1, :-1]):  # not triangular
        return np.asarray(root @ root.T)
    lower, _ = lapack.dlauum(root.T, lower=True)
    np.copyto(lower, lower.T, where=np.triu(np.ones(root.shape, dtype=bool), 1))
    return np.asarray(lower)
