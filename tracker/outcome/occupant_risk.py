"""How hard an unbelted occupant would have struck the interior: flail space, THIV, PHD, ASI.

All of it is computed from the acceleration of the vehicle's cg in vehicle axes, whatever it was
measured with, on one signal or on many draws at once. Occupant velocities are those of the
occupant relative to the vehicle, forward + and to the right +: a braking vehicle gives oiv_x > 0.
Ridedown and mean accelerations keep the vehicle acceleration's sign.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.constants import GRAVITY
from tracker.core.lever_arm import cg_acceleration
from tracker.core.time_series import (
    first_crossing,
    from_zero,
    integral_at,
    integrate,
    integrate_twice,
    largest_magnitude,
    moving_means,
    sample,
    signal_rows,
)
from tracker.core.types import Quantity
from tracker.core.vehicle_kinematics import body_rates
from tracker.outcome.contact import contact_end
from tracker.outcome.options import OUTCOME
from tracker.outcome.severity_index import ASI_WINDOW, acceleration_severity

RIDEDOWN_WINDOW = 0.010  # s; NCHRP Report 350, MASH


@dataclass(frozen=True)
class OccupantRisk:
    """Figures of occupant risk, one value a draw (...,); NaN where the record ends too early."""

    oiv_x: Array  # m/s, occupant relative to vehicle, forward +
    oiv_y: Array  # m/s, to the right +
    oiv_time: Array  # s
    reached: Array  # 1 where the flail distance was reached within the record, else 0
    contact_end: Array  # s, of the vehicle's own contact; the record's end where it goes on
    contact_ended: Array  # 1 where it ends within the record, else 0
    ridedown_x: Array  # g, signed
    ridedown_y: Array  # g, signed
    ridedown_time: Array  # s, middle of the longitudinal window
    ridedown_x_after: Array  # g, by windows wholly after the occupant's impact
    ridedown_y_after: Array  # g
    thiv: Array  # m/s
    thiv_time: Array  # s
    phd: Array  # g
    asi: Array  # 1
    asi_time: Array  # s, middle of the window
    asi_13hz: Array  # 1, by the 13 Hz filter, taken as the cut-off of both passes together
    asi_13hz_time: Array  # s
    asi_13hz_per_pass: Array  # 1, the same with 13 Hz as the cut-off of each pass
    mean50_x: Array  # g, signed, largest mean over 50 ms
    mean50_y: Array  # g
    velocity_change_x: Array  # m/s, of the vehicle, from time zero to the end of contact
    velocity_change_y: Array  # m/s


UNITS = {
    "oiv_x": "m/s",
    "oiv_y": "m/s",
    "oiv_time": "s",
    "ridedown_x": "g",
    "ridedown_y": "g",
    "ridedown_x_after": "g",
    "ridedown_y_after": "g",
    "thiv": "m/s",
    "phd": "g",
    "asi": "1",
    "asi_13hz": "1",
    "mean50_x": "g",
    "mean50_y": "g",
    "velocity_change_x": "m/s",
    "velocity_change_y": "m/s",
}
FLAIL = ("oiv_x", "oiv_y")
CHANGES = ("velocity_change_x", "velocity_change_y")
GROWING = (
    *("ridedown_x", "ridedown_y", "ridedown_x_after", "ridedown_y_after"),
    *("phd", "asi", "asi_13hz", "mean50_x", "mean50_y"),
)
"""Figures that may still grow while contact goes on."""
_TIME_OF = {
    "ridedown_x": "ridedown_time",
    "thiv": "thiv_time",
    "asi": "asi_time",
    "asi_13hz": "asi_13hz_time",
}


def flail(
    time: Array,
    ax: Array,
    ay: Array,
    distances: tuple[float, float],
    contact: Array | None = None,
) -> tuple[Array, Array, Array, Array]:
    """Occupant impact velocity of the flail-space model (NCHRP Reports 230 and 350, MASH).

    Parameters
    ----------
    time : (n,) s; the part from time zero on is used.
    ax, ay : (..., n) acceleration of the cg in vehicle axes, m/s^2.
    distances : free travel forward and sideways, m.
    contact : (...,) s, when the vehicle's contact ends; the record's end by default.

    Returns
    -------
    oiv_x, oiv_y, oiv_time, reached, each (...,). Both components are taken when the first of the
    two distances is reached, found between the samples. Where neither is reached within the
    record the velocity is the vehicle's change until its contact ends (NCHRP 350 and MASH, from
    memory), and the time NaN.
    """
    time, (ax, ay) = from_zero(time, ax, ay)
    shape = ax.shape[:-1]
    ax, ay = signal_rows(ax), signal_rows(ay)
    vx, x = integrate_twice(time, ax)
    vy, y = integrate_twice(time, ay)
    at = np.minimum(
        first_crossing(time, x, vx, ax, distances[0]),
        first_crossing(time, y, vy, ay, distances[1]),
    )
    reached = np.isfinite(at)
    parted = time[-1] if contact is None else np.reshape(contact, -1)
    end = np.where(reached, at, np.minimum(parted, time[-1]))[:, None]
    oiv_x = -integral_at(time, ax, vx, end)[:, 0]
    oiv_y = -integral_at(time, ay, vy, end)[:, 0]
    return (
        oiv_x.reshape(shape),
        oiv_y.reshape(shape),
        np.where(reached, at, np.nan).reshape(shape),
        reached.astype(float).reshape(shape),
    )


def ridedown(
    time: Array, acceleration: Array, after: Array, before: float = 0.5 * RIDEDOWN_WINDOW
) -> tuple[Array, Array]:
    """Largest 10 ms moving mean after the occupant's impact (NCHRP Report 350, MASH).

    Parameters
    ----------
    time : (n,) s.
    acceleration : (..., n) m/s^2 in vehicle axes.
    after : (...,) s, time of the occupant's impact; NaN where there was none.
    before : how much of the window may lie before the impact, s. The default takes the moving
        mean as the filter without phase that it is: its value at a time is the mean of 5 ms to
        either side, and those from the impact on count. 0 asks for whole windows after the
        impact; the documents' own words were not at hand.

    Returns
    -------
    Mean (...,) in g with the acceleration's sign, and the middle of its window (...,) s. NaN
    where the record ends sooner.
    """
    shape = acceleration.shape[:-1]
    first = np.broadcast_to(after, shape).reshape(-1) - before
    value, start = largest_magnitude(*_means_from(time, signal_rows(acceleration), first))
    return (value / GRAVITY).reshape(shape), (start + 0.5 * RIDEDOWN_WINDOW).reshape(shape)


def _means_from(time: Array, values: Array, first: Array) -> tuple[Array, Array]:
    """Means (m, j) of values (m, n) over `RIDEDOWN_WINDOW` that begin at `first` (m,) or later, the
    one that begins there exactly among them, and when each begins (m, j). NaN: none.
    """
    window = RIDEDOWN_WINDOW
    starts, means = moving_means(time, values, window)
    means = np.where(starts >= first[:, None], means, np.nan)
    begin = np.where(np.isfinite(first) & (first + window <= time[-1]), first, time[0])
    integral = integrate(time, values)
    ends = integral_at(time, values, integral, np.stack((begin, begin + window), axis=-1))
    at_impact = np.where(begin == first, (ends[:, 1] - ends[:, 0]) / window, np.nan)
    starts = np.concatenate((np.broadcast_to(starts, means.shape), first[:, None]), axis=-1)
    return np.concatenate((means, at_impact[:, None]), axis=-1), starts


def largest_mean(time: Array, acceleration: Array, window: float = ASI_WINDOW) -> Array:
    """Largest moving mean (...,) in g with its sign; acceleration (..., n) m/s^2."""
    starts, means = moving_means(time, signal_rows(acceleration), window)
    value, _ = largest_magnitude(means, np.broadcast_to(starts, means.shape))
    return (value / GRAVITY).reshape(acceleration.shape[:-1])


def theoretical_head_impact(
    time: Array,
    ax: Array,
    ay: Array,
    yaw_rate: Array,
    distances: tuple[float, float] = (0.6, 0.3),
    head: float = 0.0,
) -> tuple[Array, Array]:
    """THIV (...,) in m/s and its time (...,) s (EN 1317-1).

    Parameters
    ----------
    time : (n,) s; the part from time zero on is used.
    ax, ay, yaw_rate : (..., n) m/s^2 and rad/s at the cg, vehicle axes.
    distances : free travel forward and sideways, m.
    head : place of the head ahead of the cg, m.

    A free head in the plane of the ground, seen from the turning vehicle. Independent of the
    impact speed. Where the head strikes nothing within the record both are NaN.
    """
    time, (ax, ay, yaw_rate) = from_zero(time, ax, ay, yaw_rate)
    shape = ax.shape[:-1]
    ax, ay, rate = signal_rows(ax), signal_rows(ay), signal_rows(yaw_rate)
    yaw = integrate(time, rate)
    cos, sin = np.cos(yaw), np.sin(yaw)
    vx, x = integrate_twice(time, ax * cos - ay * sin)
    vy, y = integrate_twice(time, ax * sin + ay * cos)
    side = head * rate[:, :1]
    dx, dy = head - x, side * time - y
    ux, uy = -vx, side - vy
    xb, yb = dx * cos + dy * sin, -dx * sin + dy * cos
    wx = ux * cos + uy * sin + yb * rate
    wy = -ux * sin + uy * cos - xb * rate
    # Hermite steps want the rate of change of the crossing coordinate, which is the velocity.
    at = np.minimum(
        first_crossing(time, xb - head, wx, _gradient(wx, time), distances[0]),
        first_crossing(time, yb, wy, _gradient(wy, time), distances[1]),
    )
    reached = np.isfinite(at)
    when = np.where(reached, at, time[-1])
    thiv = np.hypot(sample(time, wx, when), sample(time, wy, when))
    thiv = np.where(reached, thiv, np.nan)
    return thiv.reshape(shape), np.where(reached, at, np.nan).reshape(shape)


def post_impact_deceleration(time: Array, ax: Array, ay: Array, after: Array) -> Array:
    """PHD (...,) in g: largest resultant of the 10 ms means after the head's impact (EN 1317-1).

    Shapes and units as in `ridedown`. The components are averaged before the resultant is taken
    (from memory).
    """
    shape = ax.shape[:-1]
    first = np.broadcast_to(after, shape).reshape(-1) - 0.5 * RIDEDOWN_WINDOW
    mean_x, starts = _means_from(time, signal_rows(ax), first)
    mean_y, _ = _means_from(time, signal_rows(ay), first)
    value, _ = largest_magnitude(np.hypot(mean_x, mean_y), starts)
    return (value / GRAVITY).reshape(shape)


def occupant_risk(
    time: Array,
    ax: Array,
    ay: Array,
    yaw_rate: Array,
    distances: tuple[float, float],
    az: Array | None = None,
    contact: tuple[Array, Array] | None = None,
) -> OccupantRisk:
    """Every figure of occupant risk from the motion of the cg.

    Parameters
    ----------
    time : (n,) s at equal steps, time zero at first contact; earlier samples are welcome.
    ax, ay, az : (..., n) acceleration in vehicle axes, m/s^2; az may be unknown (taken as 0).
    yaw_rate : (..., n) rad/s.
    distances : flail distances forward and sideways, m.
    contact : when the vehicle's contact ends (...,), s, and whether (...,) it does within the
        record, where that is known from elsewhere; found from ax and ay by default.

    PHD is NaN where the head strikes nothing, ridedown where the flail distance is not reached.
    """
    az = np.zeros_like(ax) if az is None else az
    end, ended = contact_ends(time, ax, ay) if contact is None else contact
    oiv_x, oiv_y, oiv_time, reached = flail(time, ax, ay, distances, end)
    ridedown_x, ridedown_time = ridedown(time, ax, oiv_time)
    ridedown_y, _ = ridedown(time, ay, oiv_time)
    thiv, thiv_time = theoretical_head_impact(time, ax, ay, yaw_rate)
    asi, asi_time = acceleration_severity(time, ax, ay, az)
    asi_13hz, asi_13hz_time = acceleration_severity(time, ax, ay, az, "13 Hz combined")
    per_pass, _ = acceleration_severity(time, ax, ay, az, "13 Hz per pass")
    return OccupantRisk(
        oiv_x,
        oiv_y,
        oiv_time,
        reached,
        np.broadcast_to(end, reached.shape),
        np.broadcast_to(np.asarray(ended, dtype=float), reached.shape),
        ridedown_x,
        ridedown_y,
        ridedown_time,
        ridedown(time, ax, oiv_time, before=0.0)[0],
        ridedown(time, ay, oiv_time, before=0.0)[0],
        thiv,
        thiv_time,
        post_impact_deceleration(time, ax, ay, thiv_time),
        asi,
        asi_time,
        asi_13hz,
        asi_13hz_time,
        per_pass,
        largest_mean(time, ax),
        largest_mean(time, ay),
        _change(time, ax, end),
        _change(time, ay, end),
    )


def summary(draws: OccupantRisk, mean: OccupantRisk) -> dict[str, Quantity | None]:
    """Each figure of the mean motion (one), with the spread of the draws (m,) about it as its
    uncertainty.

    A figure is None where the mean motion or more than a tenth of the draws do not have it, and the
    occupant's velocity where the record ends before the impact on the interior while contact goes
    on: it would have grown. What is known then is the least that it can be, at the end.
    """
    out: dict[str, Quantity | None] = {}
    goes_on = not _one(mean.contact_ended)
    early = not _one(mean.reached) and goes_on
    for name, unit in UNITS.items():
        value = _one(getattr(mean, name)) if not (early and name in FLAIL) else np.nan
        spread = np.asarray(getattr(draws, name))
        known = np.isfinite(spread)
        if not np.isfinite(value) or known.sum() < max(2, OUTCOME.finite_draws * len(spread)):
            out[name] = None
            continue
        when = _one(getattr(mean, _TIME_OF[name])) if name in _TIME_OF else None
        # about the value: the greatest of a noisy curve is too great, as the draws show
        u = float(np.sqrt(np.sum((spread[known] - value) ** 2) / (known.sum() - 1)))
        if name == "asi_13hz":  # the two readings of the text differ by as much
            u = float(np.hypot(u, 0.5 * abs(value - _one(mean.asi_13hz_per_pass))))
        found = Quantity(value, unit, u, when)
        least = goes_on and name in (*GROWING, *CHANGES)
        out[name] = replace(found, at_end=True) if least else found
    return out


def film_acceleration(state: Array) -> tuple[Array, Array, Array, Array]:
    """Acceleration ax, ay, az of the cg in vehicle axes and the yaw rate about the vehicle's z.

    `state` (..., n, 15) has the columns `STATE`; the four are (..., n), m/s^2 and rad/s.
    This is the kinematic acceleration: no gravity in it, whatever the pitch.
    """
    acceleration = cg_acceleration(state)
    return (
        acceleration[..., 0],
        acceleration[..., 1],
        acceleration[..., 2],
        body_rates(state)[..., 2],
    )


def contact_ends(time: Array, ax: Array, ay: Array) -> tuple[Array, Array]:
    """When contact ends (...,), s, and 1 where it does within the record, else 0."""
    time, (ax, ay) = from_zero(time, ax, ay)
    size = signal_rows(np.hypot(ax, ay))
    found = [contact_end(time, row)[1:] for row in size]
    shape = ax.shape[:-1]
    end = np.array([end for end, _ in found]).reshape(shape)
    return end, np.array([float(ended) for _, ended in found]).reshape(shape)


def _change(time: Array, values: Array, until: Array) -> Array:
    """Integral (...,) of values (..., n) from time zero until times (...,)."""
    time, (values,) = from_zero(time, values)
    rows = signal_rows(values)
    ends = np.broadcast_to(np.reshape(until, (-1, 1)), (len(rows), 1))
    return integral_at(time, rows, integrate(time, rows), ends)[:, 0].reshape(values.shape[:-1])


def _one(values: Array) -> float:
    return float(np.asarray(values).reshape(-1)[0])


def _gradient(values: Array, time: Array) -> Array:
    return np.asarray(np.gradient(values, time, axis=-1))
