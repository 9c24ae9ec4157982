"""Where a Gauss-Newton iteration stands, and what the evidence says there."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import repeat

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model.accelerometer_model import Feel, feel, misfelt
from tracker.motion.model.accelerometer_model import information as felt_information
from tracker.motion.model.mark_noise import Noise
from tracker.motion.model.residuals import Gathered, Look, gathered, look, misfit
from tracker.motion.model.unknowns import Setup


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
    """What the evidence says about the unknowns near a point, on B-spline coefficients, marks' slow
    errors not yet eliminated.
    """

    local: Array  # (count, count) information of marks and sensors
    side: Array  # (count,) its right side
    felt: Array  # (count, count) information of sensors alone; empty without any
    eyes: tuple[Gathered, ...]


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
    usable = [np.where(s.usable, w, 0.0) for s, w in zip(at.looks, weights, strict=True)]
    with ThreadPoolExecutor(2) as threads:
        eyes = tuple(threads.map(gathered, repeat(setup), at.looks, usable, noise))
    for said in eyes:
        add_eye(local, said.matrix, setup.spline[-1].stop, said.here)
        side[said.here] += said.side
    felt = np.zeros((0, 0))
    if at.feels:
        felt, right = felt_information(setup, at.feels)
        local += felt
        side += right
    return Told(local, side, felt, eyes)


def summed(told: Told) -> Told:
    """The evidence without what only a step needs, which takes the most room."""
    none = np.zeros((0, 0))
    eyes = tuple(replace(eye, rows=np.zeros((0, 2, 0, 0))) for eye in told.eyes)
    return Told(none, told.side, none, eyes)


def add_eye(whole: Array, matrix: Array, splines: int, here: NDArray[np.int64]) -> None:
    """Adds the matrix of an eye's columns `here`, the first of which are all splines'."""
    other = here[splines:]
    whole[:splines, :splines] += matrix[:splines, :splines]
    whole[:splines, other] += matrix[:splines, splines:]
    whole[other, :splines] += matrix[splines:, :splines]
    whole[np.ix_(other, other)] += matrix[splines:, splines:]
