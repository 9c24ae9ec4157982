"""Unknowns of the estimate and prepared evidence: plain arrays, and the order of the unknowns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import LENS, PARAMETERS, POSE, Camera
from tracker.core.types import MarkId
from tracker.motion.evidence import CameraEvidence, VehicleGeometry
from tracker.motion.model.common_errors import NO_SURVEY_ERRORS, SurveyErrors
from tracker.motion.model.correlated_errors import ErrorChain, error_chain
from tracker.motion.model.spline import Basis
from tracker.motion.options import PRIOR

COMPONENTS = 6
"""x, y, z of the cg (m), roll, pitch, yaw (rad)."""
CAMERA_UNKNOWNS = PARAMETERS + 2
"""Unknowns of a camera: its parameters (in standard units), time offset (s), rate error."""
DISPLACEMENT_U = (
    np.inf,
    PRIOR.displacement_u_y,
    PRIOR.displacement_u_z,
    *[PRIOR.displacement_u_angle] * 3,
)
"""Weak prior (6,) of the distance that a vehicle goes from its place at contact, m and rad (sd);
along x, freely. Wide enough to be nothing beside any film that shows the component.
"""
CHANNEL_UNKNOWNS = 4
"""Unknowns of a channel: scale error, offset, response to the two other axes."""


@dataclass(frozen=True)
class Body:
    """A vehicle: its markers' places from the cg (vehicle axes, m) with their sd, its spline."""

    name: str
    cg: Array  # (3,) vehicle axes
    markers: tuple[str, ...]
    lever_arms: Array  # (markers, 3)
    lever_arms_u: Array  # (markers,)
    basis: Basis
    prior_mean: Array  # (count, 6), jerk basis
    prior_sd: Array  # (count, 6), jerk basis; the jerks' come from their densities
    jerk_inflation: Array  # (intervals, 6) factor on the jerk's density
    survey_errors: SurveyErrors = NO_SURVEY_ERRORS


@dataclass(frozen=True)
class CameraData:
    """A camera's evidence, frames without any mark left out, stabilised.

    `covariance_root` (15, 15) gives camera parameters from unknowns of unit sd; the first nine move
    the lens (and what of the pose goes with it), the last six the pose alone.
    """

    name: str
    camera: Camera
    covariance_root: Array
    seconds: Array  # (frames,)
    frames: NDArray[np.int64]  # (frames,) numbers in the film
    marks: tuple[str, ...]
    body: NDArray[np.int64]  # (marks,) index of the vehicle
    marker: NDArray[np.int64]  # (marks,) index of the marker in it
    place: Array  # (frames, marks, 2) px, 0 where not measured
    whitening: Array  # (frames, marks, 2, 2): W with W C W' = 1
    measured_mask: NDArray[np.bool_]  # (frames, marks)
    stabilisation: Array | None  # (frames, marks, 2, 4) px by a unit of its errors
    jitter_sd: float  # px, of a shift common to a frame's marks beyond that
    film_frames: int  # how many frames and which marks the evidence had
    film_marks: tuple[str, ...]
    zero: float  # s, prior mean of the time offset
    zero_u: float
    rate_u: float

    @cached_property
    def error_chain(self) -> ErrorChain:
        """Knots of the marks' error states."""
        return error_chain(self.frames)

    @property
    def common_errors(self) -> Array | None:
        """(frames, marks, 2, k) px by a unit of each error that a frame's marks share."""
        if not self.jitter_sd:
            return self.stabilisation
        shift = np.where(self.measured_mask[..., None, None], self.jitter_sd * np.eye(2), 0.0)
        if self.stabilisation is None:
            return shift
        return np.concatenate([self.stabilisation, shift], axis=3)


@dataclass(frozen=True)
class ChannelData:
    """One channel of a sensor block: means over the block's width."""

    name: str
    axis: int  # 0..5: ax, ay, az, roll, pitch, yaw rate
    on: NDArray[np.int64]  # (n,) which of the block's times
    value: Array  # (n,) m/s^2 or rad/s
    whitening: Array  # (n, n): W with W C W' = 1
    variance_factor: float  # what its variances are multiplied by
    prior_u: tuple[float, float, float, float]  # sds: scale error, offset, two other axes' part


@dataclass(frozen=True)
class SensorData:
    """A sensor block: one place, one clock. Unknown are its time shift and four a channel."""

    body: int
    lever_arm: Array  # (3,) from the cg, vehicle axes
    seconds: Array  # (n,)
    width: float  # s
    shift_u: float  # s
    channels: tuple[ChannelData, ...]


@dataclass(frozen=True)
class Setup:
    """All bodies, cameras and sensors, and the order of the unknowns: splines, cameras, marker
    corrections, sensors.
    """

    bodies: tuple[Body, ...]
    cameras: tuple[CameraData, ...]
    sensors: tuple[SensorData, ...] = ()

    @cached_property
    def spline_slices(self) -> tuple[slice, ...]:
        """Each body's coefficients in the jerk basis, (count, 6) row by row."""
        return _slices(0, [b.basis.count * COMPONENTS for b in self.bodies])

    @cached_property
    def camera_slices(self) -> tuple[slice, ...]:
        """Each camera's `CAMERA_UNKNOWNS`."""
        return _slices(_end(self.spline_slices), [CAMERA_UNKNOWNS] * len(self.cameras))

    @cached_property
    def marker_slices(self) -> tuple[slice, ...]:
        """Each body's marker corrections, (markers, 3) row by row, m in vehicle axes."""
        start = _end(self.spline_slices, self.camera_slices)
        return _slices(start, [3 * len(b.markers) for b in self.bodies])

    @cached_property
    def sensor_slices(self) -> tuple[slice, ...]:
        """Each sensor's unknowns: time shift (s), then scale error, offset and two other axes' part
        of each channel.
        """
        start = _end(self.spline_slices, self.camera_slices, self.marker_slices)
        return _slices(start, [1 + CHANNEL_UNKNOWNS * len(s.channels) for s in self.sensors])

    @property
    def count(self) -> int:
        """Number of unknowns."""
        return _end(self.spline_slices, self.camera_slices, self.marker_slices, self.sensor_slices)

    @cached_property
    def weak_priors(self) -> tuple[Array, ...]:
        """Information (count, count) a body on the displacement from its place before contact, of
        a component of sd 1, one row each `PRIOR.displacement_step` seconds. It keeps what no film
        shows where vehicles stay.
        """
        rows = [_displacement_rows(body) for body in self.bodies]
        return tuple(r.T @ r for r in rows)

    @cached_property
    def local_weak_priors(self) -> tuple[Array, ...]:
        """`weak_priors` on B-spline coefficients."""
        rows = [_displacement_rows(body) @ body.basis.to_jerk_basis for body in self.bodies]
        return tuple(r.T @ r for r in rows)

    @property
    def weak_prior(self) -> Array:
        """The same of all unknowns (count, count)."""
        out = np.zeros((self.count, self.count))
        for square, part in zip(self.weak_priors, self.spline_slices, strict=True):
            add_components(out, part, square)
        return out

    def weak_prior_gradient(self, values: Array) -> Array:
        """`weak_prior` times values (count,)."""
        out = np.zeros(self.count)
        for square, part in zip(self.weak_priors, self.spline_slices, strict=True):
            gradient = square @ values[part].reshape(-1, COMPONENTS) / np.square(DISPLACEMENT_U)
            out[part] = gradient.ravel()
        return out

    def prior_mean(self) -> Array:
        """Prior means (count,)."""
        prior_mean = np.zeros(self.count)
        for body, part in zip(self.bodies, self.spline_slices, strict=True):
            prior_mean[part] = body.prior_mean.ravel()
        for camera, part in zip(self.cameras, self.camera_slices, strict=True):
            prior_mean[part.start + PARAMETERS] = camera.zero
        return prior_mean

    def prior_sd(self) -> Array:
        """Prior sds (count,), with the jerks' of `Body.prior_sd`: 1."""
        sd = np.zeros(self.count)
        for body, spline, marker in zip(
            self.bodies, self.spline_slices, self.marker_slices, strict=True
        ):
            sd[spline] = body.prior_sd.ravel()
            sd[marker] = np.repeat(body.lever_arms_u, 3)
        for camera, part in zip(self.cameras, self.camera_slices, strict=True):
            sd[part] = [*np.ones(PARAMETERS), camera.zero_u, camera.rate_u]
        for sensor, part in zip(self.sensors, self.sensor_slices, strict=True):
            sd[part] = [sensor.shift_u, *(u for c in sensor.channels for u in c.prior_u)]
        return sd

    def times(self, values: Array, camera: int) -> Array:
        """Times (frames,) of a camera's frames on the common clock."""
        zero, rate = values[self.camera_slices[camera].stop - 2 : self.camera_slices[camera].stop]
        return np.asarray(self.cameras[camera].seconds * (1 + rate) + zero)

    def coefficients(self, values: Array, body: int) -> Array:
        """B-spline coefficients (count, 6) of a body."""
        basis = self.bodies[body].basis
        return np.asarray(
            basis.from_jerk_basis @ values[self.spline_slices[body]].reshape(-1, COMPONENTS)
        )

    def lever_arms(self, values: Array, body: int) -> Array:
        """Corrected places (markers, 3) of a body's markers from its cg."""
        return np.asarray(
            self.bodies[body].lever_arms + values[self.marker_slices[body]].reshape(-1, 3)
        )

    def camera(self, values: Array, camera: int) -> Camera:
        """A camera, corrected."""
        part = self.camera_slices[camera]
        unit = values[part.start : part.start + PARAMETERS]
        return self.cameras[camera].camera.with_change(self.cameras[camera].covariance_root @ unit)

    def with_body(self, index: int, body: Body) -> Setup:
        """The same with one body changed."""
        bodies = list(self.bodies)
        bodies[index] = body
        return replace(self, bodies=tuple(bodies))


def _displacement_rows(body: Body) -> Array:
    """Displacement since contact: rows (n, count) in the jerk basis."""
    breakpoints = body.basis.breakpoints
    length = breakpoints[-1] - breakpoints[0]
    count = 2 + int(length / PRIOR.displacement_step)
    times = np.linspace(breakpoints[0], breakpoints[-1], count)
    rows = body.basis.design(times)
    rows[:, 0] -= 1.0
    return rows


def add_components(whole: Array, part: slice, square: Array) -> None:
    """Adds `square` (k, k), over each component's variance, to a body's part of `whole`."""
    own = whole[part, part].reshape(len(square), COMPONENTS, len(square), COMPONENTS)
    for k, sd in enumerate(DISPLACEMENT_U):
        own[:, k, :, k] += square / sd**2


def _end(*groups: tuple[slice, ...]) -> int:
    """Where the last of some groups of slices, in order, ends; 0 without any."""
    return max((int(s.stop) for group in groups for s in group), default=0)


def _slices(start: int, lengths: list[int]) -> tuple[slice, ...]:
    stops = start + np.cumsum(lengths, dtype=int)
    return tuple(slice(int(b) - n, int(b)) for b, n in zip(stops, lengths, strict=True))


def prepare_camera(
    name: str, evidence: CameraEvidence, vehicles: Mapping[str, VehicleGeometry]
) -> CameraData | None:
    """One camera's marks of these vehicles; None if it measured none."""
    order = list(vehicles)
    place_of = {
        MarkId(vehicle, marker): k
        for vehicle, geometry in vehicles.items()
        for k, marker in enumerate(geometry.markers)
    }
    ids = [MarkId.parse(mark) for mark in evidence.marks]
    known = np.array([mark in place_of for mark in ids], dtype=bool)
    finite = np.isfinite(evidence.position).all(-1) & np.isfinite(evidence.seconds)[:, None]
    with np.errstate(invalid="ignore"):
        finite &= np.linalg.det(np.nan_to_num(evidence.covariance)) > 0
    columns = np.flatnonzero(known & (evidence.measured_mask & finite).any(axis=0))
    if not len(columns):
        return None
    measured = (evidence.measured_mask & finite)[:, columns]
    frames = np.flatnonzero(measured.any(axis=1))
    measured = measured[frames]
    seen = np.where(measured[..., None], evidence.position[np.ix_(frames, columns)], 0.0)
    place, stabilisation = _stabilised_pixels(evidence, frames, seen, measured)
    covariance = evidence.covariance[np.ix_(frames, columns)]
    covariance = np.where(measured[..., None, None], covariance, np.eye(2))
    return CameraData(
        name=name,
        camera=evidence.camera,
        covariance_root=_camera_root(evidence.camera.covariance),
        seconds=np.asarray(evidence.seconds[frames], dtype=float),
        frames=frames,
        marks=tuple(evidence.marks[k] for k in columns),
        body=np.array([order.index(ids[k].vehicle) for k in columns]),
        marker=np.array([place_of[ids[k]] for k in columns]),
        place=place,
        whitening=np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)), dtype=np.float64),
        measured_mask=measured,
        stabilisation=stabilisation,
        jitter_sd=0.0,
        film_frames=len(evidence.seconds),
        film_marks=evidence.marks,
        zero=evidence.zero,
        zero_u=evidence.zero_u,
        rate_u=evidence.rate_u,
    )


def _stabilised_pixels(
    evidence: CameraEvidence, frames: NDArray[np.int64], seen: Array, measured: NDArray[np.bool_]
) -> tuple[Array, Array | None]:
    """Marks as seen in the reference frame, and what the uncertainty of that does to them."""
    if evidence.stabilisation is None:
        return seen, None
    place = seen.copy()
    for row, frame in enumerate(frames):
        on = measured[row]
        place[row, on] = evidence.stabilisation.stabilised_pixels(int(frame), seen[row, on])
    du, dv = np.moveaxis(place - evidence.stabilisation.centre, -1, 0)
    one, zero = np.ones_like(du), np.zeros_like(du)
    moves = np.stack(
        [np.stack([one, zero, -dv, du], axis=-1), np.stack([zero, one, du, dv], axis=-1)], axis=-2
    )
    values, vectors = np.linalg.eigh(evidence.stabilisation.covariance[frames])
    roots = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    return place, np.where(measured[..., None, None], moves @ roots[:, None], 0.0)


def _camera_root(covariance: Array) -> Array:
    """A root (15, 15) of a camera's covariance: nine lens units first, then six of pose alone."""
    lens, both = covariance[LENS, LENS], covariance[POSE, LENS]
    values, vectors = np.linalg.eigh(lens)
    nonzero_mask = values > 1e-14 * max(values[-1], 1e-300)
    size = np.sqrt(np.where(nonzero_mask, values, 0.0))
    covariance_root = np.zeros((PARAMETERS, PARAMETERS))
    covariance_root[LENS, :9] = vectors * size
    covariance_root[POSE, :9] = (both @ vectors) * np.where(
        nonzero_mask, 1 / np.where(nonzero_mask, size, 1.0), 0.0
    )
    remainder = covariance[POSE, POSE] - covariance_root[POSE, :9] @ covariance_root[POSE, :9].T
    values, vectors = np.linalg.eigh(remainder)
    covariance_root[POSE, 9:] = vectors * np.sqrt(np.maximum(values, 0.0))
    return covariance_root
