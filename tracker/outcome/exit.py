"""How a vehicle leaves the article: speed, angles and yaw rate at the loss of contact.

Angles are against the article's face (`heading`, rad from ground x), to the right +, as yaw: a
vehicle that leaves an article on its right side has negative ones. Reports of full-scale tests
state the same figures under these names ("exit parameters": speed, trajectory, heading), as in
doi 10.17226/27896, table 86.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.core.types import Quantity
from tracker.outcome.contact import ContactEnd
from tracker.outcome.headline import COLUMN, PosteriorSamples, wrap_angle
from tracker.outcome.options import OUTCOME


@dataclass(frozen=True)
class Exit:
    """A vehicle at the loss of contact. What no camera determines there is None."""

    time: Quantity  # s
    speed: Quantity | None  # m/s, horizontal
    trajectory_angle: Quantity | None  # rad, of the cg's path
    heading_angle: Quantity | None  # rad, of the vehicle's x
    yaw_rate: Quantity | None  # rad/s


def find_exit(motion: PosteriorSamples, contact: ContactEnd, heading: float = 0.0) -> Exit | None:
    """The vehicle at the end of contact; None where contact lasts to the end of the motion.

    Each draw is read at its own end of contact, so that its u counts in every figure.
    """
    if not contact.ended or not motion.time[0] <= contact.end <= motion.time[-1]:
        return None
    mean = at_times(motion.time, motion.state[None], np.array([contact.end]))
    draws = at_times(motion.time, motion.draws, contact.draws)
    vx, vy, yaw, rate = (COLUMN[name] for name in ("vx_mps", "vy_mps", "yaw_rad", "yaw_rate_radps"))
    speed = np.hypot(mean[:, vx], mean[:, vy])
    moves = float(np.nan_to_num(speed[0])) > OUTCOME.standing_speed
    path = np.arctan2(mean[:, vy], mean[:, vx])
    paths = np.arctan2(draws[:, vy], draws[:, vx])
    return Exit(
        Quantity(contact.end, "s", contact.u),
        _quantity(speed, np.hypot(draws[:, vx], draws[:, vy]), "m/s"),
        _angle(path, paths, heading) if moves else None,
        _angle(mean[:, yaw], draws[:, yaw], heading),
        _quantity(mean[:, rate], draws[:, rate], "rad/s"),
    )


def at_times(time: Array, states: Array, moments: Array) -> Array:
    """States (k, columns) of motions (k, n, columns) at times (n,), each at its own moment (k,)."""
    row = np.clip(np.searchsorted(time, moments, side="right") - 1, 0, len(time) - 2)
    share = ((np.clip(moments, time[0], time[-1]) - time[row]) / (time[row + 1] - time[row]))[
        :, None
    ]
    which = np.arange(len(states))
    return np.asarray(states[which, row] * (1 - share) + states[which, row + 1] * share)


def typed_end(time: float, u: float, count: int, seed: int) -> ContactEnd:
    """The end of contact as a person states it (s, with its u), with as many draws as the motion
    has.
    """
    draws = time + u * np.random.default_rng(seed).standard_normal(count)
    return ContactEnd(time, u, True, draws)


def _quantity(mean: Array, draws: Array, unit: str) -> Quantity | None:
    if not np.isfinite(mean[0]):
        return None
    return Quantity(float(mean[0]), unit, float(np.std(draws, ddof=1)))


def _angle(mean: Array, draws: Array, heading: float) -> Quantity | None:
    """An angle against the face in (-pi, pi]; None where it may be any."""
    if not np.isfinite(mean[0]):
        return None
    u = float(np.std(wrap_angle(draws - mean), ddof=1))
    return (
        Quantity(float(wrap_angle(mean - heading)[0]), "rad", u)
        if u < OUTCOME.direction_u
        else None
    )
