"""Residuals and normal equations of all evidence at a set of values.

The unknowns x (splines, cameras, clocks, marker places, sensors) have a normal prior of mean m and
standard deviations s, and a weak prior P on displacements. With whitened residuals r(x) of all
marks and channels, the solution is the least of

    F(x) = |(x - m) / s|^2 + x' P x + |r(x)|^2,

twice the negative log posterior up to a constant. Errors that the marks of a frame share, and the
correlated errors of each mark, are further unknowns of F with normal priors, eliminated by their
Schur complement. Near x, r(x + dx) = r - J dx, so that the step dx solves the normal equations

    (J'J + P + diag(1 / s^2)) dx = J'r - P x - (x - m) / s^2.

J'J and J'r are summed in the B-spline basis, where an instant touches four coefficients of each
component. Source: Nocedal & Wright 2006, "Numerical Optimization", 10.3 (Gauss-Newton).
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import repeat

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model.accelerometer_model import (
    sensor_information,
    sensor_misfit,
    sensor_residual,
)
from tracker.motion.model.mark_noise import unit_noise
from tracker.motion.model.residuals import CameraEquations, camera_equations, linearize, misfit
from tracker.motion.model.unknowns import Setup
from tracker.motion.options import SOLVER
from tracker.motion.solver.iterate import Iterate

_THREADS = 2


@dataclass(frozen=True)
class NormalEquations:
    """Normal equations of the evidence on B-spline coefficients, the marks' error states not yet
    eliminated.
    """

    local: Array  # (count, count) information of marks and sensors
    side: Array  # (count,) its right side
    from_sensors: Array  # (count, count) information of sensors alone; empty without any
    cameras: tuple[CameraEquations, ...]


def first_iterate(setup: Setup, values: Array, jerk_densities: tuple[Array, ...]) -> Iterate:
    """Values (count,) under the marks' own uncertainties, nothing rejected and nothing fixed."""
    iterate = Iterate(
        setup=setup,
        values=values,
        jerk_densities=jerk_densities,
        weights=tuple(cam.measured_mask.astype(float) for cam in setup.cameras),
        noise=tuple(unit_noise(len(cam.marks)) for cam in setup.cameras),
        inlier_masks=tuple(cam.measured_mask for cam in setup.cameras),
        fixed_mask=np.zeros(setup.count, dtype=bool),
    )
    return evaluate(iterate, values)


def evaluate(iterate: Iterate, values: Array) -> Iterate:
    """The iterate at other values (count,), with residuals and objective."""
    setup = iterate.setup
    return with_objective(
        replace(
            iterate,
            values=values,
            linearizations=tuple(linearize(setup, values, k) for k in range(len(setup.cameras))),
            sensor_residuals=tuple(
                sensor_residual(setup, values, k) for k in range(len(setup.sensors))
            ),
        )
    )


def with_objective(iterate: Iterate) -> Iterate:
    """The iterate with its objective as its prior, weights and noise now make it."""
    setup, values = iterate.setup, iterate.values
    total = float(
        np.sum(iterate.standardized_values**2) + values @ setup.weak_prior_gradient(values)
    )
    for lin, weight, own in zip(
        iterate.linearizations, iterate.weights, iterate.noise, strict=True
    ):
        lost = setup.cameras[lin.camera_index].measured_mask & ~lin.usable_mask
        usable = np.where(lin.usable_mask, weight, 0.0)
        total += misfit(setup, lin, usable, own) + SOLVER.lost_mark_cost * int(lost.sum())
    return replace(iterate, objective=total + sensor_misfit(setup, iterate.sensor_residuals))


def normal_equations(iterate: Iterate) -> NormalEquations:
    """The normal equations of the evidence at an iterate's values."""
    setup, lins = iterate.setup, iterate.linearizations
    local, side = np.zeros((setup.count, setup.count)), np.zeros(setup.count)
    usable = [np.where(s.usable_mask, w, 0.0) for s, w in zip(lins, iterate.weights, strict=True)]
    with ThreadPoolExecutor(_THREADS) as threads:
        cameras = tuple(threads.map(camera_equations, repeat(setup), lins, usable, iterate.noise))
    for equations in cameras:
        add_camera(local, equations.matrix, setup.spline_slices[-1].stop, equations.here)
        side[equations.here] += equations.side
    from_sensors = np.zeros((0, 0))
    if iterate.sensor_residuals:
        from_sensors, right = sensor_information(setup, iterate.sensor_residuals)
        local += from_sensors
        side += right
    return NormalEquations(local, side, from_sensors, cameras)


def drop_rows(normal: NormalEquations) -> NormalEquations:
    """The equations without what only a step needs, which takes the most room."""
    none = np.zeros((0, 0))
    cameras = tuple(replace(camera, rows=np.zeros((0, 2, 0, 0))) for camera in normal.cameras)
    return NormalEquations(none, normal.side, none, cameras)


def add_camera(whole: Array, matrix: Array, splines: int, here: NDArray[np.int64]) -> None:
    """Adds a camera's matrix to that of all unknowns.

    Parameters
    ----------
    whole : (count, count), added to in its place.
    matrix : (n, n) of the camera's columns.
    splines : how many of them, the first, are the splines'.
    here : (n,) the unknown of each column.
    """
    other = here[splines:]
    whole[:splines, :splines] += matrix[:splines, :splines]
    whole[:splines, other] += matrix[:splines, splines:]
    whole[other, :splines] += matrix[splines:, :splines]
    whole[np.ix_(other, other)] += matrix[splines:, splines:]
