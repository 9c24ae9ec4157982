"""The solution: the posterior's mean and covariance, draws from it, and warnings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.special import ndtr

from calibration.arrays import Array
from calibration.camera import PARAMETERS, Camera
from calibration.errors import MotionError
from calibration.findings import Diagnostic
from calibration.time.clock import Clock
from tracker.core.rigid_body import point_motion
from tracker.core.types import ChannelId, Motion
from tracker.motion.model import kernels
from tracker.motion.model.common_errors import COMMON_SOURCES, transform_motions, true_lever_arms
from tracker.motion.model.residuals import matrix_in_jerk_basis
from tracker.motion.model.spline import Basis
from tracker.motion.model.unknowns import CHANNEL_UNKNOWNS, COMPONENTS, DISPLACEMENT_U, Setup
from tracker.motion.robust.options import DIAGNOSTICS
from tracker.motion.robust.outliers import Rejected
from tracker.motion.solver.covariance_root import pivoted_root
from tracker.motion.solver.dense_step import DenseStep
from tracker.motion.solver.iterate import Iterate
from tracker.motion.time_zero import TimeZero

SOURCES = (
    *("marks", "survey", "lens", "pose", "time", "smoothness", "accelerometer", "guess"),
    *COMMON_SOURCES,
)
"""Where uncertainty comes from: mark positions; marker survey; lens; camera pose; clocks; how
smooth a motion is; accelerometers; the weak guesses about what no evidence shows; of the survey as
a whole its scale, its datum, the vehicles' axes and their cg."""


@dataclass(frozen=True)
class Trajectory:
    """One trajectory of a vehicle: the estimate, or one draw."""

    setup: Setup
    body: int
    jerk_coefficients: Array  # (count, 6)
    shift: float = 0.0  # s, of contact on the solution's clock
    errors: Array | None = None  # (8,) of the survey (`common_errors.transformed`)

    def state(self, time: Array) -> Array:
        """Columns `STATE` (n, 15) at these times (n,)."""
        basis, moments = self.setup.bodies[self.body].basis, np.atleast_1d(time) + self.shift
        errors = None if self.errors is None else self.errors[None]
        return np.asarray(_states(basis, self.jerk_coefficients[None], moments, errors)[0])


@dataclass(frozen=True)
class Draws:
    """Draws from the joint posterior: draw k is one possible truth of all vehicles together."""

    setup: Setup
    values: Array  # (count, unknowns)
    shift: Array  # (count,) s, of contact on the solution's clock
    errors: Mapping[str, Array]  # (count, 8) of the survey, by vehicle

    def __len__(self) -> int:
        return len(self.values)

    def parts(self, count: int) -> Iterator[Draws]:
        """The same draws, a few at a time."""
        for k in range(0, len(self), count):
            part = slice(k, k + count)
            errors = {vehicle: e[part] for vehicle, e in self.errors.items()}
            yield Draws(self.setup, self.values[part], self.shift[part], errors)

    def trajectory(self, vehicle: str, k: int) -> Trajectory:
        """Draw k of a vehicle's path."""
        b = _body_index(self.setup, vehicle)
        jerk_coefficients = self.values[k, self.setup.spline_slices[b]].reshape(-1, COMPONENTS)
        return Trajectory(
            self.setup, b, jerk_coefficients, float(self.shift[k]), self.errors[vehicle][k]
        )

    def states(self, vehicle: str, times: Array) -> Array:
        """Columns `STATE` (count, n, 15) of a vehicle at times (n,)."""
        b = _body_index(self.setup, vehicle)
        jerk_coefficients = self.values[:, self.setup.spline_slices[b]].reshape(
            len(self), -1, COMPONENTS
        )
        basis = self.setup.bodies[b].basis
        if not self.shift.any():
            return _states(basis, jerk_coefficients, np.atleast_1d(times), self.errors[vehicle])
        return np.stack([self.trajectory(vehicle, k).state(times) for k in range(len(self))])

    def points(self, vehicle: str, at: Array, times: Array) -> tuple[Array, Array]:
        """Position and velocity (count, n, 3), ground axes, of a point `at` (3,), vehicle axes."""
        return point_motion(self.states(vehicle, times), self.lever_arms(vehicle, at)[:, None])

    def lever_arms(self, vehicle: str, at: Array) -> Array:
        """Of a surveyed point `at` (3,), vehicle axes, in each draw (count, 3)."""
        cg = self.setup.bodies[_body_index(self.setup, vehicle)].cg
        return true_lever_arms(np.asarray(at, dtype=float) - cg, self.errors[vehicle])


@dataclass(frozen=True)
class ChannelFit:
    """A channel as the joint solution sees it, each with its u: reading = scale true + offset, and
    the solution's time less the channel's (s). `chi_square` per degree of freedom by its stated
    noise, at least 1.
    """

    scale: tuple[float, float]
    offset: tuple[float, float]
    shift: tuple[float, float]
    chi_square: float


@dataclass(frozen=True)
class Solution:
    """Motions, cameras and clocks, with their joint uncertainty."""

    iterate: Iterate  # where the iteration ended
    step: DenseStep  # the equations there, and the posterior covariance's root
    unit_covariance: Array  # (unknowns, unknowns) posterior, in prior sds
    contact: tuple[float, float]  # s on the solution's clock, and its u
    findings: tuple[Diagnostic, ...]
    rejected: tuple[Rejected, ...]
    chi_square: Mapping[str, float]  # per camera: per degree of freedom, by the marks' own sds
    mark_chi_square: Mapping[str, Mapping[str, float]]  # per camera and mark, mean of inliers
    residuals: Mapping[str, Array]  # px, seen less predicted, (frames, marks, 2)
    reprojection_rms_px: Mapping[str, float]
    time_zero: TimeZero | None = None  # by all evidence; None where nothing gives it a u

    @property
    def setup(self) -> Setup:
        """The unknowns and the prepared evidence."""
        return self.iterate.setup

    @property
    def sd(self) -> Array:
        """Prior sds (unknowns,)."""
        return self.iterate.sd

    @property
    def vehicles(self) -> tuple[str, ...]:
        """Vehicles that were solved for."""
        return tuple(b.name for b in self.setup.bodies)

    @property
    def knots(self) -> Array:
        """Knots of all vehicles' motions, in order, s."""
        breakpoints = [b.basis.breakpoints for b in self.setup.bodies]
        return np.unique(np.concatenate(breakpoints)) if breakpoints else np.empty(0)

    def cg(self, vehicle: str) -> Array:
        """The vehicle's cg (3,), vehicle axes, m."""
        return self.setup.bodies[_body_index(self.setup, vehicle)].cg

    def trajectory(self, vehicle: str) -> Trajectory:
        """The estimated path of a vehicle."""
        b = _body_index(self.setup, vehicle)
        jerk_coefficients = self.iterate.values[self.setup.spline_slices[b]].reshape(-1, COMPONENTS)
        return Trajectory(self.setup, b, jerk_coefficients)

    def span(self, vehicle: str) -> tuple[float, float]:
        """First and last time at which a film shows the vehicle, or a sensor in it reads, s."""
        b = _body_index(self.setup, vehicle)
        first, last = np.inf, -np.inf
        for k, (cam, inliers) in enumerate(
            zip(self.setup.cameras, self.iterate.inlier_masks, strict=True)
        ):
            on = inliers[:, cam.body == b].any(axis=1)
            if on.any():
                times = self.setup.times(self.iterate.values, k)[on]
                first, last = min(first, float(times[0])), max(last, float(times[-1]))
        for s in self.setup.sensors:
            if s.body == b:
                on = s.seconds[np.unique(np.concatenate([c.on for c in s.channels]))]
                first, last = min(first, float(on[0])), max(last, float(on[-1]))
        return first, last

    def motion(self, vehicle: str, times: Array) -> Motion:
        """The motion at times (n,) with its u, by exact linear propagation; outside the span it
        goes on straight and counts as not observed.
        """
        b = _body_index(self.setup, vehicle)
        times = np.asarray(times, dtype=float)
        path, basis = self.trajectory(vehicle), self.setup.bodies[b].basis
        state = path.state(times)
        grid = np.arange(
            self.setup.spline_slices[b].start, self.setup.spline_slices[b].stop
        ).reshape(-1, COMPONENTS)
        u, before = np.empty_like(state), np.empty_like(state)
        rows = [basis.design(times, order) for order in range(3)]
        for column in range(state.shape[1]):
            order, component = divmod(column, COMPONENTS)
            here = grid[:, component]
            scaled = rows[order] * self.sd[here]
            block = self.unit_covariance[np.ix_(here, here)]
            u[:, column] = np.sqrt(
                np.maximum(np.einsum("ni,ij,nj->n", scaled, block, scaled, optimize=True), 0.0)
            )
            weak = self.setup.weak_priors[b] * np.multiply.outer(self.sd[here], self.sd[here])
            weak /= DISPLACEMENT_U[component] ** 2
            prior = np.linalg.inv(weak + np.eye(len(here)))
            before[:, column] = np.sqrt(np.sum((scaled @ prior) * scaled, axis=1))
        if self.contact[1]:
            u = np.hypot(u, self._contact_part(path, state, times))
        u = np.hypot(u, self._common_part(path, state, times))
        first, last = self.span(vehicle)
        inside = (times >= first - 1e-9) & (times <= last + 1e-9)
        return Motion(times, state, u, (u < DIAGNOSTICS.observed_share * before) & inside[:, None])

    def _common_part(self, path: Trajectory, state: Array, times: Array) -> Array:
        """What the common errors of the survey add to a motion's u (n, 15)."""
        u = self.setup.bodies[path.body].survey_errors.all_u
        if not u.any():
            return np.zeros_like(state)
        each = np.diag(u)[u > 0]
        basis, coefficients = self.setup.bodies[path.body].basis, path.jerk_coefficients
        perturbed = _states(basis, np.tile(coefficients, (len(each), 1, 1)), times, each)
        return np.asarray(np.sqrt(np.sum((perturbed - state) ** 2, axis=0)))

    def _contact_part(self, path: Trajectory, state: Array, times: Array) -> Array:
        """What a contact time with an uncertainty adds to a motion's u (n, 15): its rate of change
        by that time, and about contact the chance that the acceleration has jumped or not.
        """
        basis, u = self.setup.bodies[path.body].basis, self.contact[1]
        jump = path.jerk_coefficients[3] if basis.breaks else np.zeros(COMPONENTS)
        since = (times - basis.breaks[0])[:, None] if basis.breaks else times[:, None]
        jumped = ndtr(since / u)
        acceleration = basis.design(times, 2) @ path.jerk_coefficients
        before = acceleration - np.where(since >= 0, jump, 0.0)
        rate = np.sqrt((1 - jumped) * before**2 + jumped * (before + jump) ** 2)
        jerk = basis.design(times, 3) @ path.jerk_coefficients
        timing_u = np.hypot(jump * np.sqrt(jumped * (1 - jumped)), jerk * u)
        return np.concatenate([state[:, 6:12] * u, rate * u, timing_u[:, :3]], axis=1)

    def point(self, vehicle: str, at: Array, times: Array) -> tuple[Array, Array]:
        """Mean position and velocity (n, 3), ground axes, of the point `at` (3,), vehicle axes."""
        lever_arm = (
            np.asarray(at, dtype=float) - self.setup.bodies[_body_index(self.setup, vehicle)].cg
        )
        return point_motion(self.trajectory(vehicle).state(times), lever_arm)

    def draws(self, count: int, seed: int, source: str | None = None) -> Draws:
        """Draws from the posterior; with a source of `SOURCES`, about the same mean but with the
        share of the uncertainty that comes from it alone; the shares' variances add up.
        """
        rng = np.random.default_rng(seed)
        noise = rng.standard_normal((self.setup.count, count))
        if source is None:
            away = self.step.covariance_root @ noise
        elif source == "marks":
            away = self._project_draws(self._marks_root, noise)
        elif source == "guess":
            away = self._project_draws(self._guess_root, noise)
        elif source == "accelerometer":
            away = self._project_draws(self._sensor_root, noise)
        elif source in COMMON_SOURCES:
            away = np.zeros_like(noise)
        else:
            away = self.unit_covariance @ (_of_source(self.setup, source)[:, None] * noise)
        shifted = source in (None, "time")
        shift = rng.standard_normal(count) * self.contact[1] * shifted
        values = self.iterate.values + (away * self.sd[:, None]).T
        return Draws(self.setup, values, shift, self._error_draws(count, seed, source))

    def _error_draws(self, count: int, seed: int, source: str | None) -> dict[str, Array]:
        """Common errors (count, 8) of the survey by vehicle; scale and datum are those of all."""
        rng = np.random.default_rng([seed, len(COMMON_SOURCES)])
        of_all = rng.standard_normal((count, 2))
        out = {}
        for body in self.setup.bodies:
            own, errors = rng.standard_normal((count, 6)), body.survey_errors
            u = errors.all_u
            if source is not None:
                u = errors.u(source) if source in COMMON_SOURCES else np.zeros_like(u)
            out[body.name] = np.concatenate([of_all, own], axis=1) * u
        return out

    def _project_draws(self, root: Array, noise: Array) -> Array:
        return np.asarray(self.unit_covariance @ (root @ noise[: root.shape[1]]))

    @cached_property
    def _marks_root(self) -> Array:
        seen = self.step.equations.local
        if self.setup.sensors:
            seen = seen - self.step.equations.from_sensors
        return pivoted_root(matrix_in_jerk_basis(self.setup, seen) * self.sd * self.sd[:, None])

    @cached_property
    def _sensor_root(self) -> Array:
        if not self.setup.sensors:
            return np.zeros((len(self.sd), 0))
        from_sensors = (
            matrix_in_jerk_basis(self.setup, self.step.equations.from_sensors)
            * self.sd
            * self.sd[:, None]
        )
        return pivoted_root(from_sensors + np.diag(_of_source(self.setup, "accelerometer")))

    @cached_property
    def _guess_root(self) -> Array:
        weak = self.setup.weak_prior * self.sd * self.sd[:, None]
        return pivoted_root(weak + np.diag(_of_source(self.setup, "guess")))

    @cached_property
    def cameras(self) -> dict[str, Camera]:
        """Each camera as the solution sees it, covariance included."""
        out = {}
        for k, cam in enumerate(self.setup.cameras):
            part = slice(
                self.setup.camera_slices[k].start, self.setup.camera_slices[k].start + PARAMETERS
            )
            covariance = (
                cam.covariance_root @ self.unit_covariance[part, part] @ cam.covariance_root.T
            )
            out[cam.name] = replace(
                self.setup.camera(self.iterate.values, k), covariance=covariance
            )
        return out

    @cached_property
    def clocks(self) -> dict[str, Clock]:
        """Each camera's clock as solved."""
        out = {}
        u = self.sd * np.sqrt(np.diag(self.unit_covariance))
        for cam, part in zip(self.setup.cameras, self.setup.camera_slices, strict=True):
            zero, rate = part.stop - 2, part.stop - 1
            values = self.iterate.values
            out[cam.name] = Clock(float(values[zero]), float(u[zero]), float(values[rate]))
        return out

    @cached_property
    def channels(self) -> dict[ChannelId, ChannelFit]:
        """What became of each channel that joined the film."""
        u = self.sd * np.sqrt(np.diag(self.unit_covariance))
        out: dict[ChannelId, ChannelFit] = {}
        for s, part in zip(self.setup.sensors, self.setup.sensor_slices, strict=True):
            values, own_u = self.iterate.values[part], u[part]
            for k, c in enumerate(s.channels):
                at = 1 + CHANNEL_UNKNOWNS * k
                out[ChannelId(self.setup.bodies[s.body].name, c.name)] = ChannelFit(
                    scale=(1 + float(values[at]), float(own_u[at])),
                    offset=(float(values[at + 1]), float(own_u[at + 1])),
                    shift=(float(values[0]), float(own_u[0])),
                    chi_square=c.variance_factor,
                )
        return out


def _states(
    basis: Basis, jerk_coefficients: Array, times: Array, errors: Array | None = None
) -> Array:
    """Columns `STATE` (k, n, 15) at times (n,) of motions with coefficients (k, count, 6) in
    the jerk basis; if the survey errs by `errors` (k, 8), as `transform_motions` has it.
    """
    near = [basis.local_bsplines(np.asarray(times, dtype=float), order) for order in range(3)]
    out = np.empty((len(jerk_coefficients), len(times), 3 * COMPONENTS))
    coefficients = np.ascontiguousarray(basis.from_jerk_basis @ jerk_coefficients)
    kernels.evaluate(coefficients, near[0][0], np.array([v for _, v in near]), out)
    state = np.asarray(out[:, :, :15])
    if errors is None or not errors.any():
        return state
    return transform_motions(state, out[:, :, 15:], errors)


def _body_index(setup: Setup, vehicle: str) -> int:
    names = [b.name for b in setup.bodies]
    if vehicle not in names:
        raise MotionError(
            "no camera saw this vehicle",
            where=f"vehicles.{vehicle}",
            remedy="pick its markers in a film",
        )
    return names.index(vehicle)


def _of_source(setup: Setup, source: str) -> Array:
    """1 (unknowns,) where an unknown's prior belongs to a source, else 0."""
    out = np.zeros(setup.count)
    if source not in SOURCES:
        raise ValueError(f"{source} is not one of {SOURCES}")
    for body, spline, marker in zip(
        setup.bodies, setup.spline_slices, setup.marker_slices, strict=True
    ):
        grid = np.full((body.basis.count, COMPONENTS), source == "guess", dtype=float)
        grid[body.basis.jerk] = source == "smoothness"
        out[spline] = grid.ravel()
        out[marker] = source == "survey"
    for part in setup.sensor_slices:
        out[part] = source == "accelerometer"
    for part in setup.camera_slices:
        out[part] = np.repeat([source == "lens", source == "pose", source == "time"], [9, 6, 2])
    return out
