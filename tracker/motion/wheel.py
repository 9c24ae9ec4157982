"""How a wheel turns and is steered: marks of a wheel whose hub is at a known place of a vehicle.

A wheel has two freedoms against its vehicle: its turn about its own axle and its steering angle
about the vehicle's vertical (camber is taken as none). Both are cubic splines of time, fitted to
the marks of all cameras by least squares with the vehicle's solved motion given; their covariance
is that of the fit, and errors of the vehicle and of the cameras come from draws of the solution.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.core.rigid_body import rotation
from tracker.core.types import MarkId
from tracker.motion.evidence import CameraEvidence
from tracker.motion.free_mark_options import WHEELS
from tracker.motion.posterior import Draws, Solution

_DEGREE = 3


@dataclass(frozen=True)
class WheelGeometry:
    """A wheel of `vehicle`: its hub in that one's axes and its marks from the hub, in the axes of
    the vehicle while the wheel is neither turned nor steered, m.
    """

    vehicle: str
    hub: tuple[float, float, float]
    marks: Mapping[str, tuple[float, float, float]]
    marks_u: float


@dataclass(frozen=True)
class WheelMotion:
    """A wheel against its vehicle at times (n,) s, angles in rad."""

    time: Array
    turn: Array  # (n,) continuous, as pitch: rolling ahead it falls
    turn_u: Array
    turn_rate: Array  # (n,) rad/s
    steer: Array  # (n,) to the right +
    steer_u: Array


@dataclass(frozen=True)
class _WheelSightings:
    """Sightings of one camera: of marks (n,) at times (n,), px."""

    camera: Camera
    time: Array
    mark: NDArray[np.intp]
    pixel: Array  # (n, 2)
    sigma: Array  # (n,) px


def wheel_motion(
    solution: Solution,
    cameras: Mapping[str, CameraEvidence],
    name: str,
    wheel: WheelGeometry,
    draws: Draws,
) -> WheelMotion | None:
    """The wheel's motion where its marks (`name`.mark) were seen; None where they were not."""
    seen = [
        s
        for n, e in cameras.items()
        if (s := _wheel_sightings(solution, n, e, name, wheel)) is not None
    ]
    if not seen:
        return None
    times = np.unique(np.concatenate([s.time for s in seen]))
    first, last = solution.span(wheel.vehicle)
    times = times[(times >= first) & (times <= last)]
    if len(times) < 4:
        return None
    states = solution.motion(wheel.vehicle, times).state
    marks = np.array(list(wheel.marks.values()))
    hub_arm = np.array(wheel.hub) - solution.cg(wheel.vehicle)
    start = _start(seen, times, states, hub_arm, marks)
    turn_basis = _basis(times, WHEELS.turn_knots)
    steer_basis = _basis(times, WHEELS.steer_knots)
    bases = (turn_basis, steer_basis)
    guess = np.r_[
        np.linalg.lstsq(turn_basis, start[:, 0], rcond=None)[0],
        np.full(steer_basis.shape[1], float(np.median(start[:, 1]))),
    ]

    def away(x: Array) -> Array:
        return _residuals(x, seen, times, states, hub_arm, marks, bases)

    fit = least_squares(away, guess, loss="soft_l1")
    spare = max(len(fit.fun) - len(fit.x), 1)
    scale = max(1.0, float(np.sum(fit.fun**2)) / spare)
    jacobian = np.asarray(fit.jac, dtype=np.float64)
    covariance = scale * np.asarray(np.linalg.pinv(jacobian.T @ jacobian), dtype=np.float64)
    angles = _angles(fit.x, bases)
    own = [
        np.einsum("ni,ij,nj->n", b, c, b)
        for b, c in zip(bases, _blocks(covariance, bases), strict=True)
    ]
    shared = _shared_variances(draws, wheel, times)
    lever = wheel.marks_u / float(np.median(np.linalg.norm(marks[:, [0, 2]], axis=1)))
    survey = (lever / np.sqrt(len(marks))) ** 2
    turn_u = np.sqrt(own[0] + shared[0] + survey)
    rate = np.gradient(angles[0], times)
    return WheelMotion(
        times, angles[0], turn_u, rate, angles[1], np.sqrt(own[1] + shared[1] + survey)
    )


def wheel_places(state: Array, hub_arm: Array, marks: Array, turn: Array, steer: Array) -> Array:
    """Ground places (n, marks, 3) of a wheel's marks."""
    body = rotation(state[:, 3:6])
    steered = Rotation.from_euler("ZY", np.column_stack([steer, turn])).as_matrix()
    hub = state[:, :3] + body @ hub_arm
    return np.asarray(hub[:, None] + np.einsum("nij,njk,mk->nmi", body, steered, marks))


def _wheel_sightings(
    solution: Solution, camera: str, evidence: CameraEvidence, name: str, wheel: WheelGeometry
) -> _WheelSightings | None:
    if camera not in solution.cameras:
        return None
    columns = [
        (evidence.marks.index(MarkId(name, mark)), k)
        for k, mark in enumerate(wheel.marks)
        if MarkId(name, mark) in evidence.marks
    ]
    times = solution.clocks[camera].common_times(evidence.seconds)
    parts = []
    for column, k in columns:
        on = np.flatnonzero(
            evidence.measured_mask[:, column]
            & np.isfinite(evidence.position[:, column]).all(axis=1)
        )
        sigma = np.sqrt(np.trace(evidence.covariance[on, column], axis1=1, axis2=2) / 2)
        parts.append((times[on], np.full(len(on), k), evidence.position[on, column], sigma))
    if not parts or not sum(len(p[0]) for p in parts):
        return None
    time, mark, pixel, sigma = (np.concatenate(each) for each in zip(*parts, strict=True))
    return _WheelSightings(solution.cameras[camera], time, mark.astype(np.intp), pixel, sigma)


def _start(
    seen: list[_WheelSightings], times: Array, states: Array, hub_arm: Array, marks: Array
) -> Array:
    """Turn and steering angle (n, 2) of each time by itself, followed from the one before."""
    out = np.zeros((len(times), 2))
    before, rate = None, 0.0
    for i, time in enumerate(times):
        here = [
            (s.camera, s.mark[rows], s.pixel[rows], s.sigma[rows])
            for s in seen
            if len(rows := np.flatnonzero(np.abs(s.time - time) < 1e-7))
        ]

        def off(x: Array, here: list = here, i: int = i) -> Array:  # type: ignore[type-arg]
            places = wheel_places(states[i : i + 1], hub_arm, marks, x[:1], x[1:])[0]
            away = [((c.project(places[m]) - p) / s[:, None]).ravel() for c, m, p, s in here]
            return np.concatenate([*away, [x[1] / WHEELS.steer_u]])

        if before is None:
            tries = [
                np.array([a, 0.0])
                for a in np.linspace(-np.pi, np.pi, WHEELS.headings, endpoint=False)
            ]
        else:
            step = rate * (time - times[i - 1])
            beside = WHEELS.restart * np.array([0.0, -1.0, 1.0, -2.0, 2.0])
            tries = [before + np.array([step + a, 0.0]) for a in beside]
        fits = [least_squares(off, x) for x in tries]
        best = min(fits, key=lambda f: float(f.cost))
        if before is not None and i > 0:
            new = (best.x[0] - before[0]) / (time - times[i - 1])
            rate = float(new) if abs(new) < WHEELS.fastest else rate
        out[i] = before = best.x
    return out


def _basis(times: Array, spacing: float) -> Array:
    """Cubic B-splines (n, k) with knots about `spacing` s apart."""
    count = max(2, int(np.ceil((times[-1] - times[0]) / spacing)) + 1)
    inner = np.linspace(times[0], times[-1], count)
    knots = np.r_[[inner[0]] * _DEGREE, inner, [inner[-1]] * _DEGREE]
    return np.asarray(BSpline.design_matrix(times, knots, _DEGREE).toarray())


def _angles(x: Array, bases: tuple[Array, Array]) -> tuple[Array, Array]:
    count = bases[0].shape[1]
    return bases[0] @ x[:count], bases[1] @ x[count:]


def _blocks(covariance: Array, bases: tuple[Array, Array]) -> tuple[Array, Array]:
    count = bases[0].shape[1]
    return covariance[:count, :count], covariance[count:, count:]


def _residuals(
    x: Array,
    seen: list[_WheelSightings],
    times: Array,
    states: Array,
    hub_arm: Array,
    marks: Array,
    bases: tuple[Array, Array],
) -> Array:
    turn, steer = _angles(x, bases)
    places = wheel_places(states, hub_arm, marks, turn, steer)
    out = []
    for s in seen:
        row = np.clip(np.searchsorted(times, s.time - 1e-9), 0, len(times) - 1)
        on = np.abs(times[row] - s.time) < 1e-7
        away = (s.camera.project(places[row, s.mark]) - s.pixel) / s.sigma[:, None]
        out.append(away[on].ravel())
    count = bases[0].shape[1]
    return np.concatenate([*out, x[count:] / WHEELS.steer_u])


def _shared_variances(draws: Draws, wheel: WheelGeometry, times: Array) -> tuple[Array, Array]:
    """Variances (n,) that errors of the vehicle's pitch and yaw put into turn and steer."""
    samples = draws.states(wheel.vehicle, times)
    return np.var(samples[..., 4], axis=0), np.var(samples[..., 5], axis=0)
