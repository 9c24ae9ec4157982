"""Where a Gauss-Newton iteration stands, and what the evidence says there."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import repeat

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model.accelerometer_model import SensorResidual, sensor_misfit, sensor_residual
from tracker.motion.model.accelerometer_model import information as sensor_information
from tracker.motion.model.mark_noise import Noise
from tracker.motion.model.residuals import (
    CameraEquations,
    Linearization,
    camera_equations,
    linearize,
    misfit,
)
from tracker.motion.model.unknowns import Setup


@dataclass(frozen=True)
class Point:
    """A set of values and how it fits: looks by eye, feels by sensor, and the objective (twice the
    negative log posterior, up to a constant).
    """

    values: Array
    linearizations: list[Linearization]
    sensor_residuals: list[SensorResidual]
    objective: float


@dataclass(frozen=True)
class NormalEquations:
    """What the evidence says about the unknowns near a point, on B-spline coefficients, marks' slow
    errors not yet eliminated.
    """

    local: Array  # (count, count) information of marks and sensors
    side: Array  # (count,) its right side
    from_sensors: Array  # (count, count) information of sensors alone; empty without any
    cameras: tuple[CameraEquations, ...]


def unit(setup: Setup, values: Array, sd: Array) -> Array:
    """Values less prior mean in prior sds (count,); 0 where the prior sd is 0."""
    away = values - setup.prior_mean()
    return np.asarray(np.divide(away, sd, out=np.zeros_like(away), where=sd > 0))


def evaluate(
    setup: Setup, values: Array, sd: Array, weights: list[Array], noise: Sequence[Noise]
) -> Point:
    """Values with their looks and objective."""
    linearizations = [linearize(setup, values, k) for k in range(len(setup.cameras))]
    sensor_residuals = [sensor_residual(setup, values, k) for k in range(len(setup.sensors))]
    return reweight(setup, Point(values, linearizations, sensor_residuals, 0.0), sd, weights, noise)


def reweight(
    setup: Setup, at: Point, sd: Array, weights: list[Array], noise: Sequence[Noise]
) -> Point:
    """The same point under other prior sds, weights and noise."""
    values, linearizations = at.values, at.linearizations
    total = float(np.sum(unit(setup, values, sd) ** 2) + values @ setup.weak_prior_gradient(values))
    for lin, weight, own in zip(linearizations, weights, noise, strict=True):
        lost = setup.cameras[lin.camera_index].measured & ~lin.usable
        usable = np.where(lin.usable, weight, 0.0)
        total += misfit(setup, lin, usable, own) + 1e6 * int(lost.sum())
    return Point(
        values,
        linearizations,
        at.sensor_residuals,
        total + sensor_misfit(setup, at.sensor_residuals),
    )


def normal_equations(
    setup: Setup, at: Point, weights: list[Array], noise: Sequence[Noise]
) -> NormalEquations:
    """The evidence at a point."""
    local, side = np.zeros((setup.count, setup.count)), np.zeros(setup.count)
    usable = [np.where(s.usable, w, 0.0) for s, w in zip(at.linearizations, weights, strict=True)]
    with ThreadPoolExecutor(2) as threads:
        cameras = tuple(
            threads.map(camera_equations, repeat(setup), at.linearizations, usable, noise)
        )
    for equations in cameras:
        add_camera(local, equations.matrix, setup.spline_slices[-1].stop, equations.here)
        side[equations.here] += equations.side
    from_sensors = np.zeros((0, 0))
    if at.sensor_residuals:
        from_sensors, right = sensor_information(setup, at.sensor_residuals)
        local += from_sensors
        side += right
    return NormalEquations(local, side, from_sensors, cameras)


def drop_rows(normal: NormalEquations) -> NormalEquations:
    """The evidence without what only a step needs, which takes the most room."""
    none = np.zeros((0, 0))
    cameras = tuple(replace(camera, rows=np.zeros((0, 2, 0, 0))) for camera in normal.cameras)
    return NormalEquations(none, normal.side, none, cameras)


def add_camera(whole: Array, matrix: Array, splines: int, here: NDArray[np.int64]) -> None:
    """Adds the matrix of an eye's columns `here`, the first of which are all splines'."""
    other = here[splines:]
    whole[:splines, :splines] += matrix[:splines, :splines]
    whole[:splines, other] += matrix[:splines, splines:]
    whole[other, :splines] += matrix[splines:, :splines]
    whole[np.ix_(other, other)] += matrix[splines:, splines:]
