"""The numbers a test is judged by, from a vehicle's motion and draws of it.

Each number is computed on the estimate and on every draw from the posterior; the spread of the
draws is its standard uncertainty, so that errors shared by all frames count as they should.
Motion states have the columns `tracker.values.STATE`: the cg in ground axes, SI.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.core.types import STATE, Quantity

COLUMN = {name: i for i, name in enumerate(STATE)}
AT_REST = 0.05  # m/s: slower than this at the end of the film counts as having come to rest
CONTACT_ENDS = 0.05  # of the largest closing acceleration; below it the vehicles have parted


@dataclass(frozen=True)
class Drawn:
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

    def extreme(self, column: str, sign: float, unit: str) -> Quantity | None:
        """Largest (`sign` 1) or smallest (-1) change of a column after time zero from its mean
        before time zero, with the time of the extreme.
        """
        before, after = self.time < 0, self.time >= 0
        if not before.any() or not after.any():
            return None

        def change(states: Array) -> Array:
            values = states[..., COLUMN[column]]
            return np.asarray(values[:, after] - values[:, before].mean(axis=1, keepdims=True))

        mean = change(self.state[None])[0]
        if not np.isfinite(mean).any():
            return None
        at = int(np.argmax(sign * mean))
        drawn = np.max(sign * change(self.draws), axis=1)
        return Quantity(float(mean[at]), unit, _spread(drawn), float(self.time[after][at]))


def impact_speed(motion: Drawn) -> Quantity | None:
    """Horizontal speed at time zero, m/s; along ground x alone where the lateral motion is not
    seen, as from the side.
    """
    sideways = np.isfinite(motion.state[:, COLUMN["vy_mps"]]).all()

    def of(time: Array, states: Array) -> Array:
        along = _at_zero(time, states, "vx_mps")
        return np.hypot(along, _at_zero(time, states, "vy_mps")) if sideways else np.abs(along)

    return motion.number(of, "m/s")


def impact_angle(motion: Drawn) -> Quantity | None:
    """Angle of the path at time zero from ground x, to the right +, rad."""

    def path(time: Array, states: Array) -> Array:
        return np.arctan2(_at_zero(time, states, "vy_mps"), _at_zero(time, states, "vx_mps"))

    mean = path(motion.time, motion.state[None])[0]

    def of(time: Array, states: Array) -> Array:
        away = path(time, states) - mean
        return np.asarray(mean + (away + np.pi) % (2 * np.pi) - np.pi)

    return motion.number(of, "rad")


def impact_offset(motion: Drawn) -> Quantity | None:
    """Lateral place of the cg at time zero, to the right +, m."""
    return motion.number(lambda time, states: _at_zero(time, states, "y_m"), "m")


def travel(motion: Drawn, column: str) -> Quantity | None:
    """Way of the cg from time zero to the end of the film, along "x_m" or "y_m", m."""

    def of(time: Array, states: Array) -> Array:
        return np.asarray(states[:, -1, COLUMN[column]] - _at_zero(time, states, column))

    return motion.number(of, "m")


def at_rest(motion: Drawn) -> bool:
    """Whether the vehicle had come to rest by the end of the film."""
    speed = np.hypot(motion.state[-1, COLUMN["vx_mps"]], motion.state[-1, COLUMN["vy_mps"]])
    drawn = np.hypot(motion.draws[:, -1, COLUMN["vx_mps"]], motion.draws[:, -1, COLUMN["vy_mps"]])
    return bool(speed < max(AT_REST, 2 * _spread(drawn)))


def velocity_change(
    motion: Drawn, until: float, drawn_until: Array | None = None
) -> Quantity | None:
    """Change of the velocity along ground x from time zero to `until` (s), m/s; `drawn_until` (m,)
    is that time in each draw, where it is not known exactly.
    """
    column = COLUMN["vx_mps"]
    value = _at(motion.time, motion.state[None, :, column], until)
    value = value - _at_zero(motion.time, motion.state[None], "vx_mps")
    if not np.isfinite(value[0]):
        return None
    ends = np.full(len(motion.draws), until) if drawn_until is None else drawn_until
    drawn = np.array(
        [
            np.interp(t, motion.time, row)
            for t, row in zip(ends, motion.draws[..., column], strict=True)
        ]
    )
    drawn -= _at_zero(motion.time, motion.draws, "vx_mps")
    return Quantity(float(value[0]), "m/s", _spread(drawn))


@dataclass(frozen=True)
class Crush:
    """Greatest closing of the two vehicles after time zero along ground x."""

    max_dynamic: Quantity  # m
    at: float  # s
    contact_ends: float  # s, when the closing acceleration has died away; else the film's end
    ended: bool  # whether it had
    drawn_ends: Array  # (m,) s, when it has in each draw


def crush(striking: Drawn, struck: Drawn) -> Crush | None:
    """How far the striking vehicle closed up on the struck one; both at the same times."""
    after = striking.time >= 0
    time = striking.time[after]

    def between(a: Array, b: Array, column: str) -> Array:
        return np.asarray(a[..., after, COLUMN[column]] - b[..., after, COLUMN[column]])

    def closing(a: Array, b: Array) -> Array:
        start = _at_zero(striking.time, a, "x_m") - _at_zero(striking.time, b, "x_m")
        return between(a, b, "x_m") - start[:, None]

    mean = closing(striking.state[None], struck.state[None])[0]
    if not np.isfinite(mean).all() or len(mean) < 2:
        return None
    greatest = np.max(np.abs(closing(striking.draws, struck.draws)), axis=1)
    at = int(np.argmax(np.abs(mean)))
    force = np.abs(between(striking.state, struck.state, "ax_mps2"))
    end, ended = _died_away(force, at)
    forces = np.abs(between(striking.draws, struck.draws, "ax_mps2"))
    drawn_ends = np.array([time[_died_away(f, at)[0]] for f in forces])
    value = Quantity(float(np.abs(mean[at])), "m", _spread(greatest), float(time[at]))
    return Crush(value, float(time[at]), float(time[end]), ended, drawn_ends)


def _died_away(force: Array, at: int) -> tuple[int, bool]:
    """Where, after the instant `at`, a force (n,) has fallen below `CONTACT_ENDS` of its greatest;
    the last instant, False: it hasn't.
    """
    gone = np.flatnonzero(force[at + 1 :] < CONTACT_ENDS * force.max())
    return (at + 1 + int(gone[0]), True) if len(gone) else (len(force) - 1, False)


def _at_zero(time: Array, states: Array, column: str) -> Array:
    return _at(time, states[..., COLUMN[column]], 0.0)


def _at(time: Array, values: Array, when: float) -> Array:
    """Values (k, n) between the frames, (k,)."""
    right = int(np.clip(np.searchsorted(time, when), 1, len(time) - 1))
    left = right - 1
    share = (when - time[left]) / (time[right] - time[left])
    return np.asarray(values[:, left] * (1 - share) + values[:, right] * share)


def _spread(drawn: Array) -> float:
    known = drawn[np.isfinite(drawn)]
    return float(np.std(known, ddof=1)) if len(known) > 1 else float("nan")
