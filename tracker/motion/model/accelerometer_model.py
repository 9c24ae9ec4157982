"""Readings of accelerometers and rate sensors, and their derivatives by the unknowns.

A value is the mean reading over a short time. The model's mean is the change of its velocity over
that time: the two are compared like with like, whatever happens within it, a step included.

Structure vibrates against the painted marks: the sensor's velocity differs from the rigid body's by
a first-order autoregression, so what a value is off by is that process's change over its time, plus
white noise. Such a channel measures slow motion well, a single value badly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.constants import GRAVITY
from calibration.errors import MotionError
from tracker.core.rigid_body import rotation
from tracker.motion.evidence import AccelerometerEvidence
from tracker.motion.model.spline import SPLINE_ORDER, Basis
from tracker.motion.model.unknowns import CHANNEL_UNKNOWNS, ChannelData, SensorData, Setup
from tracker.motion.options import SENSORS

CHANNELS = ("ax", "ay", "az", "roll_rate", "pitch_rate", "yaw_rate")
_STEP = 1e-30


@dataclass(frozen=True)
class SensorResidual:
    """Readings of one sensor block less the model's: by channel, residuals (n,) in its own unit,
    and their derivatives by the body's B-spline coefficients (n, coefficients, 6), by the
    block's time shift (n,) and by the channel's own unknowns (n, 4).
    """

    sensor: int
    residual: tuple[Array, ...]
    rows: tuple[Array, ...]
    along: tuple[Array, ...]
    own: tuple[Array, ...]


def sensor_data(
    block: AccelerometerEvidence, body: int, cg: Array, basis: Basis
) -> SensorData | None:
    """A block's channels, with the values that lie within a spline; None where there are none.

    Parameters
    ----------
    body : index of the vehicle in `Setup.bodies`.
    cg : (3,) its cg, vehicle axes, m.
    basis : the spline of its motion.

    Raises MotionError where a channel has no name that the model knows, or its noise isn't above 0.
    """
    half = block.width / 2
    inside = (block.seconds - half >= basis.breakpoints[0]) & (
        block.seconds + half <= basis.breakpoints[-1]
    )
    channels = []
    for name, values in block.values.items():
        if name not in CHANNELS or not block.noise[name] > 0 or not block.width > 0:
            raise MotionError(
                f"{name} can't join the film's evidence",
                where=f"accelerometers ({block.vehicle})",
                remedy="give a known channel, a noise and a width above 0",
            )
        on = np.flatnonzero((np.isfinite(values) & inside)[inside])
        axis = CHANNELS.index(name)
        if len(on) >= SENSORS.fewest:
            channels.append(
                ChannelData(
                    name=name,
                    axis=axis,
                    on=on,
                    value=np.asarray(values[inside][on], dtype=float),
                    whitening=_whitening(block, name, block.seconds[inside][on]),
                    variance_factor=1.0,
                    prior_u=(
                        block.scale_u,
                        block.offset_u.get(name, _offset_u(axis)),
                        block.transverse_u,
                        block.transverse_u,
                    ),
                )
            )
    if not channels:
        return None
    lever_arm = np.subtract(block.at, cg)
    return SensorData(
        body, lever_arm, block.seconds[inside], block.width, block.shift_u, tuple(channels)
    )


def _offset_u(axis: int) -> float:
    """Sd of an offset that nothing is known of, m/s2 or rad/s."""
    return SENSORS.offset_u_acceleration if axis < 3 else SENSORS.offset_u_rate


def _whitening(block: AccelerometerEvidence, name: str, time: Array) -> Array:
    """W (n, n) with W C W' = 1 for the covariance C of a channel's values."""
    half, reach = block.width / 2, block.vibration_time
    edges = np.concatenate([time + half, time - half])
    alike = np.exp(-np.abs(edges[:, None] - edges) / reach)
    n = len(time)
    change = alike[:n, :n] - alike[:n, n:] - alike[n:, :n] + alike[n:, n:]
    size = block.vibration.get(name, 0.0) / block.width
    covariance = size**2 * change + block.noise[name] ** 2 * np.eye(n)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)), dtype=np.float64)


def readings(
    angles: Array, rates: Array, acceleration: Array, turning: Array, lever_arm: Array
) -> Array:
    """Six fault-free channels (..., 6): specific force less that at rest, m/s2, and body rates,
    rad/s. Complex values pass.

    Parameters
    ----------
    angles, rates : (..., 3) roll, pitch, yaw and their derivatives.
    acceleration : (..., 3) of the cg, ground axes.
    turning : (..., 3) second derivatives of the angles.
    lever_arm : (3,) of the sensor from the cg, vehicle axes, m.

    f = R' a + alpha x r + w x (w x r) + g (sin pitch, -cos pitch sin roll, 1 - cos pitch cos roll).
    Source: kinematics of a rigid body; body rates of z-y-x angles as in Diebel 2006.
    """
    (sr, cr), (sp, cp) = ((np.sin(angles[..., k]), np.cos(angles[..., k])) for k in (0, 1))
    dr, dp, dy = (rates[..., k] for k in range(3))
    ar, ap, ay = (turning[..., k] for k in range(3))
    w = np.stack([dr - dy * sp, dp * cr + dy * cp * sr, dy * cp * cr - dp * sr], axis=-1)
    alpha = np.stack(
        [
            ar - ay * sp - dy * dp * cp,
            ap * cr - dp * dr * sr + ay * cp * sr - dy * dp * sp * sr + dy * dr * cp * cr,
            ay * cp * cr - dy * dp * sp * cr - dy * dr * cp * sr - ap * sr - dp * dr * cr,
        ],
        axis=-1,
    )
    lever = np.cross(alpha, np.broadcast_to(lever_arm, alpha.shape)) + np.cross(
        w, np.cross(w, lever_arm)
    )
    gravity = GRAVITY * np.stack([sp, -cp * sr, 1 - cp * cr], axis=-1)
    linear = (rotation(angles).swapaxes(-1, -2) @ acceleration[..., None])[..., 0]
    return np.concatenate([linear + lever + gravity, w], axis=-1)


def sensor_residual(setup: Setup, values: Array, sensor: int) -> SensorResidual:
    """One block's residuals and their derivatives."""
    s, part = setup.sensors[sensor], setup.sensor_slices[sensor]
    basis, c = setup.bodies[s.body].basis, setup.coefficients(values, s.body)
    shift, unknown = values[part][0], values[part][1:].reshape(-1, CHANNEL_UNKNOWNS)
    time = s.seconds + shift
    place, rate = (_rows(basis, time, order) for order in range(2))
    change = _mean_second_derivative(basis, time, s)
    q, dq, ddq = place @ c, rate @ c, change @ c
    later, sooner = (
        _mean_second_derivative(basis, time + d, s)
        for d in (SENSORS.shift_step, -SENSORS.shift_step)
    )
    dddq = (later - sooner) @ c / (2 * SENSORS.shift_step)
    read, by = _derivatives(q, dq, ddq, s.lever_arm)
    by_shift = sum(
        np.einsum("nrk,nk->nr", b, d)
        for b, d in zip(by, (dq, _rows(basis, time, 2) @ c, dddq), strict=True)
    )
    residual, rows, along, own = [], [], [], []
    for channel, (gain, offset, *across) in zip(s.channels, unknown, strict=True):
        on, first = channel.on, 3 * (channel.axis // 3)
        others = [k for k in range(first, first + 3) if k != channel.axis]
        mix = np.zeros(len(CHANNELS))
        mix[channel.axis], mix[others] = 1 + gain, across
        d0, d1, d2 = (np.einsum("nrk,r->nk", b[on], mix)[:, None] for b in by)
        residual.append(channel.value - read[on] @ mix - offset)
        rows.append(place[on, :, None] * d0 + rate[on, :, None] * d1 + change[on, :, None] * d2)
        along.append(by_shift[on] @ mix)
        by_own = [read[on, channel.axis], np.ones(len(on)), *(read[on, k] for k in others)]
        own.append(np.stack(by_own, axis=1))
    return SensorResidual(sensor, tuple(residual), tuple(rows), tuple(along), tuple(own))


def _mean_second_derivative(basis: Basis, time: Array, s: SensorData) -> Array:
    """Rows of the mean second derivative over the width about times (n,)."""
    half = s.width / 2
    return (_rows(basis, time + half, 1) - _rows(basis, time - half, 1)) / s.width


def _derivatives(
    q: Array, dq: Array, ddq: Array, lever_arm: Array
) -> tuple[Array, tuple[Array, ...]]:
    """Readings (n, 6) and their derivatives (n, 6, 6) by q, dq and ddq (n, 6), by complex steps;
    the place and its rate have no part in them.
    """
    parts = [q[:, 3:], dq[:, 3:], ddq[:, :3], ddq[:, 3:]]
    steps = np.zeros((4, 4, 3, 1, 3), dtype=complex)  # of part k: by part n, component
    for k in range(4):
        steps[k, k, :, 0] = 1j * _STEP * np.eye(3)
    perturbed = [part + step for part, step in zip(parts, steps, strict=True)]
    read = readings(perturbed[0], perturbed[1], perturbed[2], perturbed[3], lever_arm)
    by = np.moveaxis(read.imag / _STEP, 1, -1)
    none = np.zeros_like(by[0])
    return read[0, 0].real, (
        np.concatenate([none, by[0]], axis=-1),
        np.concatenate([none, by[1]], axis=-1),
        np.concatenate([by[2], by[3]], axis=-1),
    )


def _rows(basis: Basis, time: Array, order: int) -> Array:
    """The spline's derivative at times (n,) as rows (n, coefficients) on B-spline coefficients."""
    first, value = basis.local_bsplines(time, order)
    rows = np.zeros((len(time), basis.count))
    np.put_along_axis(rows, first[:, None] + np.arange(SPLINE_ORDER), value, axis=1)
    return rows


def sensor_misfit(setup: Setup, sensor_residuals: tuple[SensorResidual, ...]) -> float:
    """Sum of squares of all channels' whitened residuals."""
    return float(
        sum(
            np.sum((channel.whitening @ r) ** 2) / channel.variance_factor
            for f in sensor_residuals
            for channel, r in zip(setup.sensors[f.sensor].channels, f.residual, strict=True)
        )
    )


@dataclass(frozen=True)
class ChannelEquations:
    """A channel's whitened residual (n,) and rows by the parts of the unknowns that it touches."""

    residual: Array
    parts: tuple[slice, slice, slice]  # the body's spline, the block's shift, the channel's own
    rows: tuple[Array, Array, Array]  # (n, .) each, on B-spline coefficients


def channel_equations(setup: Setup, f: SensorResidual) -> list[ChannelEquations]:
    """Whitened residuals and rows of each channel of a block."""
    s, part = setup.sensors[f.sensor], setup.sensor_slices[f.sensor]
    out = []
    for k, channel in enumerate(s.channels):
        w = channel.whitening / np.sqrt(channel.variance_factor)
        first = part.start + 1 + CHANNEL_UNKNOWNS * k
        own = slice(first, first + CHANNEL_UNKNOWNS)
        rows = f.rows[k].reshape(len(channel.on), -1)
        out.append(
            ChannelEquations(
                w @ f.residual[k],
                (setup.spline_slices[s.body], slice(part.start, part.start + 1), own),
                (w @ rows, w @ f.along[k][:, None], w @ f.own[k]),
            )
        )
    return out


def sensor_information(
    setup: Setup, sensor_residuals: tuple[SensorResidual, ...]
) -> tuple[Array, Array]:
    """Normal matrix (count, count) and right side (count,) of all channels, B-spline basis for the
    bodies.
    """
    matrix, side = np.zeros((setup.count, setup.count)), np.zeros(setup.count)
    for f in sensor_residuals:
        for equations in channel_equations(setup, f):
            for here, rows in zip(equations.parts, equations.rows, strict=True):
                side[here] += rows.T @ equations.residual
                for there, others in zip(equations.parts, equations.rows, strict=True):
                    matrix[here, there] += rows.T @ others
    return matrix, side


def update_channel_noise(
    setup: Setup, sensor_residuals: tuple[SensorResidual, ...], covariance_root: Array, sd: Array
) -> tuple[Setup, float]:
    """The setup with each channel's noise as its residuals show it, never below the stated one, and
    by how much (natural logarithm) the most moved one changed.

    Parameters
    ----------
    sensor_residuals : of each sensor, at the estimate.
    covariance_root : (count, count) of the posterior covariance, in prior sds. It gives the degrees
        of freedom that the fit took from each channel.
    sd : (count,) prior sds.
    """
    out, most = [], 0.0
    for f in sensor_residuals:
        s = setup.sensors[f.sensor]
        basis, channels = setup.bodies[s.body].basis, []
        scaled_root = covariance_root * sd[:, None]
        spline = scaled_root[setup.spline_slices[s.body]].reshape(basis.count, -1)
        local = (basis.from_jerk_basis @ spline).reshape(-1, len(sd))
        for channel, equations in zip(s.channels, channel_equations(setup, f), strict=True):
            perturbed = equations.rows[0] @ local
            for k in (1, 2):
                perturbed += equations.rows[k] @ scaled_root[equations.parts[k]]
            n = len(equations.residual)
            remaining = max(n - float(np.sum(perturbed**2)), SENSORS.least_dof_share * n)
            variance_factor = max(
                channel.variance_factor * float(np.sum(equations.residual**2)) / remaining, 1.0
            )
            most = max(most, abs(float(np.log(variance_factor / channel.variance_factor))))
            channels.append(replace(channel, variance_factor=variance_factor))
        out.append(replace(s, channels=tuple(channels)))
    return replace(setup, sensors=tuple(out)), most
