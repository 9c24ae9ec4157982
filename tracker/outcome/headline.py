"""The numbers a test is judged by, from a vehicle's motion and draws of it.

Each number is computed on the estimate and on every draw from the posterior; the spread of the
draws is its standard uncertainty, so that errors shared by all frames count as they should.
Motion states have the columns `tracker.core.types.STATE`: the cg in ground axes, SI.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import STATE, Quantity
from tracker.outcome.contact import ContactEnd, find_contact
from tracker.outcome.options import OUTCOME
from tracker.outcome.release import fall_window, release_times

COLUMN = {name: i for i, name in enumerate(STATE)}
_RATE = dict(zip(STATE[:6], STATE[6:12], strict=True))
"""The column that is the rate of a column."""


@dataclass(frozen=True)
class PosteriorSamples:
    """A vehicle's motion at times of the film: the estimate and draws from its posterior."""

    time: Array  # (n,) s, 0 at first contact
    state: Array  # (n, 15)
    draws: Array  # (m, n, 15)

    def number(self, of: Callable[[Array, Array], Array], unit: str) -> Quantity | None:
        """A quantity `of(time, states (k, n, 15)) -> (k,)`; None where the estimate has none."""
        value = float(of(self.time, self.state[None])[0])
        if not np.isfinite(value):
            return None
        return Quantity(value, unit, _spread(of(self.time, self.draws)))

    def before_mask(self, column: str) -> NDArray[np.bool_]:
        """Which times (n,) are the last span before time zero in which a column was determined: its
        sd is not more than `OUTCOME.determined` times the least before time zero.
        """
        early = (self.time < 0) & np.isfinite(self.state[:, COLUMN[column]])
        out = np.zeros(len(self.time), dtype=bool)
        if not early.any():
            return out
        sd = np.where(early, np.std(self.draws[..., COLUMN[column]], axis=0), np.inf)
        known = sd <= OUTCOME.determined * sd[early].min()
        last = int(np.flatnonzero(known)[-1])
        gaps = np.flatnonzero(~known[:last])
        out[int(gaps[-1]) + 1 if len(gaps) else 0 : last + 1] = True
        return out

    def extreme(self, column: str, sign: float, unit: str) -> Quantity | None:
        """Largest (`sign` 1) or smallest (-1) change of a column after time zero from its mean
        over the last span before it in which it was determined, with the time of the extreme; at
        the end where the motion ends, or is no longer determined, while it still grows or goes back
        to it within `OUTCOME.extreme_reach`.
        """
        before, after = self.before_mask(column), self.time >= 0
        if not before.any() or not after.any():
            return None

        def change(states: Array) -> Array:
            values = states[..., COLUMN[column]]
            return np.asarray(values[:, after] - values[:, before].mean(axis=1, keepdims=True))

        mean = change(self.state[None])[0]
        if not np.isfinite(mean).any():
            return None
        at = int(np.nanargmax(sign * mean))
        last = int(np.flatnonzero(np.isfinite(mean))[-1])
        samples = np.max(sign * change(self.draws)[:, : last + 1], axis=1)
        found = Quantity(float(mean[at]), unit, _spread(samples), float(self.time[after][at]))
        fallen = sign * (mean[at] - mean[last])
        grows = self._growth(column, sign, int(np.flatnonzero(after)[last]))
        still = grows[1] > OUTCOME.rest_growth and fallen <= found.u
        back = grows[0] > OUTCOME.rest_growth and fallen <= grows[0] * OUTCOME.extreme_reach
        return replace(found, at_end=bool((at > 0 and still) or back))

    def _growth(self, column: str, sign: float, at: int) -> tuple[float, float]:
        """Least and greatest likely rate of a column at an instant, `rest_sigmas` u about it;
        infinite where it is not seen: it is not known to have come to a stand, or turned back.
        """
        rate = COLUMN[_RATE[column]]
        value, u = sign * self.state[at, rate], _spread(self.draws[:, at, rate])
        if not np.isfinite(value):
            return -np.inf, np.inf
        return float(value - OUTCOME.rest_sigmas * u), float(value + OUTCOME.rest_sigmas * u)


def impact_speed(motion: PosteriorSamples) -> Quantity | None:
    """Horizontal speed at time zero, m/s; along ground x alone where the lateral motion is not
    seen, as from the side.
    """
    sideways = np.isfinite(motion.state[:, COLUMN["vy_mps"]]).all()

    def of(time: Array, states: Array) -> Array:
        along = at_zero(time, states, "vx_mps")
        return np.hypot(along, at_zero(time, states, "vy_mps")) if sideways else np.abs(along)

    return motion.number(of, "m/s")


def impact_angle(motion: PosteriorSamples) -> Quantity | None:
    """Angle of the path at time zero from ground x, to the right +, rad."""

    def path(time: Array, states: Array) -> Array:
        return np.arctan2(at_zero(time, states, "vy_mps"), at_zero(time, states, "vx_mps"))

    mean = path(motion.time, motion.state[None])[0]

    def of(time: Array, states: Array) -> Array:
        away = path(time, states) - mean
        return np.asarray(mean + (away + np.pi) % (2 * np.pi) - np.pi)

    return motion.number(of, "rad")


def impact_offset(motion: PosteriorSamples) -> Quantity | None:
    """Lateral place of the cg at time zero, to the right +, m."""
    return motion.number(lambda time, states: at_zero(time, states, "y_m"), "m")


def travel(motion: PosteriorSamples, column: str) -> Quantity | None:
    """Way of the cg from time zero to the end of the film, along "x_m" or "y_m", m."""

    def of(time: Array, states: Array) -> Array:
        return np.asarray(states[:, -1, COLUMN[column]] - at_zero(time, states, column))

    found = motion.number(of, "m")
    return None if found is None else replace(found, at_end=not is_at_rest(motion))


def end_speed(motion: PosteriorSamples) -> Quantity | None:
    """Horizontal speed at the end of the film, m/s, along ground x alone where the lateral motion
    is not seen then; None of a vehicle that has come to rest.
    """
    columns = [COLUMN["vx_mps"], COLUMN["vy_mps"]]
    seen = np.isfinite(motion.state[-1, columns])
    if not seen[0] or is_at_rest(motion):
        return None
    across = [c for c, known in zip(columns, seen, strict=True) if known]
    return motion.number(
        lambda time, states: np.asarray(np.linalg.norm(states[:, -1, across], axis=1)), "m/s"
    )


def is_at_rest(motion: PosteriorSamples) -> bool:
    """Whether the vehicle had come to rest by the end of the film; no where its last speed is too
    vague for that.
    """
    speed = np.hypot(motion.state[-1, COLUMN["vx_mps"]], motion.state[-1, COLUMN["vy_mps"]])
    samples = np.hypot(motion.draws[:, -1, COLUMN["vx_mps"]], motion.draws[:, -1, COLUMN["vy_mps"]])
    vague = min(OUTCOME.rest_sigmas * _spread(samples), OUTCOME.vague_rest)
    return bool(speed < max(OUTCOME.rest_speed, vague))


def contact_of(
    motion: PosteriorSamples, near_mask: NDArray[np.bool_] | None = None
) -> ContactEnd | None:
    """When the vehicle's contact ends, by the horizontal force on it; by that along ground x alone
    where the lateral motion is not seen then. None where there is none to be found.

    `near_mask` (n,): while the vehicle is within reach of what it strikes, later blows belong to
    the same contact.
    """
    columns = [COLUMN["ax_mps2"], COLUMN["ay_mps2"]]
    on = np.isfinite(motion.state[:, columns[0]])
    if not on.any():
        return None
    state, samples = motion.state[on][:, columns], motion.draws[:, on][:, :, columns]
    seen = np.asarray(np.isfinite(state).all(axis=0))
    mean, draws = np.where(seen, state, 0.0).T, np.where(seen, samples, 0.0)
    within = None if near_mask is None else near_mask[on]
    found = find_contact(motion.time[on], mean, np.swapaxes(draws, 1, 2), within)
    return found if found is None else _refine_end(motion, on, np.hypot(*mean), found)


def _refine_end(
    motion: PosteriorSamples, on: NDArray[np.bool_], size: Array, found: ContactEnd
) -> ContactEnd:
    """A contact with its end as the velocities give it, where they do. `size` (n,) is the
    horizontal acceleration at the times that are `on`. The end is not known within a step of the
    motion.
    """
    end, ends = found.end, None
    for _ in range(OUTCOME.release_rounds if found.ended else 0):
        window = fall_window(motion.time[on], size, end, found.end)
        if window is None:
            return found
        inside = on & (motion.time >= window[0]) & (motion.time <= window[1])
        columns = [COLUMN[name] for name in _SPEEDS]
        columns = [c for c in columns if np.isfinite(motion.state[inside, c]).all()]
        ends = release_times(motion.time[inside], motion.draws[:, inside][..., columns])
        if ends is None:
            return found
        end = float(np.mean(ends))
    if ends is None:
        return found
    step = float(np.median(np.diff(motion.time)))
    return ContactEnd(end, float(np.hypot(_spread(ends), step / np.sqrt(12.0))), True, ends)


@dataclass(frozen=True)
class VelocityChange:
    """Change of a vehicle's velocity while it is in contact."""

    along: Quantity | None  # m/s, along ground x
    resultant: Quantity | None  # m/s, horizontal
    direction: Quantity | None  # rad, of the force on the vehicle, in its axes at time zero


def velocity_changes(motion: PosteriorSamples, contact: ContactEnd | None) -> VelocityChange:
    """Changes from time zero to the end of contact, or of the motion while it goes on (or where
    none is found: `contact` None).

    The direction is that of the change of the horizontal velocity over the ground (SAE J1727: in
    earth-fixed axes), seen from the vehicle as it stood at time zero, from its x to the right: a
    full frontal impact, which pushes the vehicle back, has 180 degrees.
    """
    until = float(motion.time[-1]) if contact is None else contact.end
    ends = np.full(len(motion.draws), until) if contact is None else contact.draws
    still = contact is not None and not contact.ended
    mean = np.array([_change(motion, motion.state[None], c, np.array([until])) for c in _SPEEDS])
    draws = np.array([_change(motion, motion.draws, c, ends) for c in _SPEEDS])
    if not np.isfinite(mean[0, 0]):
        return VelocityChange(None, None, None)
    along = Quantity(float(mean[0, 0]), "m/s", _spread(draws[0]), at_end=still)
    if not np.isfinite(mean[1, 0]):
        return VelocityChange(along, None, None)
    size = float(np.hypot(*mean)[0])
    resultant = Quantity(size, "m/s", _spread(np.hypot(*draws)), at_end=still)
    heading = at_zero(motion.time, motion.state[None], "yaw_rad")
    headings = at_zero(motion.time, motion.draws, "yaw_rad")
    direction = wrap_angle(np.arctan2(mean[1], mean[0]) - heading)
    away = wrap_angle(np.arctan2(draws[1], draws[0]) - headings - direction)
    u = _spread(away)
    known = np.isfinite(direction[0]) and u < OUTCOME.direction_u
    return VelocityChange(
        along, resultant, Quantity(float(direction[0]), "rad", u, at_end=still) if known else None
    )


_SPEEDS = ("vx_mps", "vy_mps")


def _change(motion: PosteriorSamples, states: Array, column: str, until: Array) -> Array:
    """Change (k,) of a column of states (k, n, 15) from time zero to times (k,)."""
    rows = states[..., COLUMN[column]]
    late = [np.interp(t, motion.time, row) for t, row in zip(until, rows, strict=True)]
    return np.asarray(np.array(late) - at_zero(motion.time, states, column))


def wrap_angle(angle: Array) -> Array:
    """Angles in (-pi, pi]."""
    return np.asarray(np.pi - (np.pi - angle) % (2.0 * np.pi))


@dataclass(frozen=True)
class Crush:
    """Greatest closing of the two vehicles along ground x while they are in contact."""

    max_dynamic: Quantity  # m
    at: float  # s
    contact: ContactEnd | None  # of the striking vehicle; None: no impact is found
    head_on: bool  # by their headings at time zero; True where these are not seen


def crush(striking: PosteriorSamples, struck: PosteriorSamples) -> Crush | None:
    """How far the striking vehicle closed up on the struck one until contact ended, or the motions
    did; both at the same times.
    """
    after = striking.time >= 0
    time = striking.time[after]

    def closing(a: Array, b: Array, until: Array) -> Array:
        column = COLUMN["x_m"]
        start = at_zero(striking.time, a, "x_m") - at_zero(striking.time, b, "x_m")
        closed = a[..., after, column] - b[..., after, column] - start[:, None]
        shown = np.where(time <= until[:, None], closed, 0.0)
        # contact seldom ends with a frame
        at_end = [np.interp(u, time, row) for u, row in zip(until, closed, strict=True)]
        return np.column_stack([shown, at_end])

    contact = contact_of(striking)
    end = float(time[-1]) if contact is None or not contact.ended else contact.end
    ends = np.full(len(striking.draws), end)
    if contact is not None and contact.ended:
        ends = contact.draws
    mean = closing(striking.state[None], struck.state[None], np.array([end]))[0]
    if not np.isfinite(mean).all() or len(time) < 2:
        return None
    greatest = np.max(np.abs(closing(striking.draws, struck.draws, ends)), axis=1)
    at = int(np.argmax(np.abs(mean)))
    still = (contact is None or not contact.ended) and at >= len(time) - 1
    when = float(time[at]) if at < len(time) else min(end, float(time[-1]))
    value = Quantity(float(np.abs(mean[at])), "m", _spread(greatest), when, still)
    yaws = [at_zero(v.time, v.state[None], "yaw_rad")[0] for v in (striking, struck)]
    apart = abs(wrap_angle(2.0 * np.array(yaws[0] - yaws[1]))) / 2.0  # either way round
    return Crush(value, when, contact, not apart > OUTCOME.head_on)


def at_zero(time: Array, states: Array, column: str) -> Array:
    """Values (k,) of a column of states (k, n, 15) at time zero."""
    return _at(time, states[..., COLUMN[column]], 0.0)


def _at(time: Array, values: Array, when: float) -> Array:
    """Values (k, n) between the frames, (k,)."""
    right = int(np.clip(np.searchsorted(time, when), 1, len(time) - 1))
    left = right - 1
    share = (when - time[left]) / (time[right] - time[left])
    return np.asarray(values[:, left] * (1 - share) + values[:, right] * share)


def _spread(samples: Array) -> float:
    known = samples[np.isfinite(samples)]
    return float(np.std(known, ddof=1)) if len(known) > 1 else float("nan")
