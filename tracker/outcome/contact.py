"""When a vehicle's contact with what it strikes ends, from the force on it.

The force over the mass is the vehicle's own acceleration, so that what its tyres and those of the
other vehicle do after the impact, brakes included, does not count as contact. Contact lasts as long
as the horizontal acceleration comes back above a level that tyres do not reach; its end is where
the acceleration has then died away, or stops falling. `release` finds that end more finely.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.constants import GRAVITY
from tracker.core.types import Quantity
from tracker.outcome.options import OUTCOME


@dataclass(frozen=True)
class ContactEnd:
    """The end of contact of a motion and of each of its draws."""

    end: float  # s; the record's end where contact goes on
    u: float  # s: spread of the draws, and how sharply the acceleration dies away
    ended: bool  # whether it ends within the record
    draws: Array  # (m,) s, of each draw

    def quantity(self) -> Quantity:
        """As results hold it."""
        return Quantity(self.end, "s", self.u, at_end=not self.ended)


def find_contact(
    time: Array, acceleration: Array, draws: Array, near_mask: NDArray[np.bool_] | None = None
) -> ContactEnd | None:
    """The end of contact after time zero; None where no impact stands out.

    Parameters
    ----------
    time : (n,) s.
    acceleration : (2, n) of the cg, horizontal, m/s^2; a component that is not seen is 0.
    draws : (m, 2, n) draws of it.
    near_mask : (n,) whether the vehicle is within reach of what it strikes: while it stays there, a
        later blow belongs to the same contact. None: not known.

    The level is the lesser of what braking tyres can't reach and a share of the greatest
    acceleration, and what tyres give stands below it by a multiple of the acceleration's
    uncertainty at each time (`OutcomeOptions`). The end's u holds half of the time in which the
    acceleration falls from the level to nothing, as the half-width of a uniform distribution; where
    the record ends in contact, half of its last step.
    """
    after = time >= 0
    if after.sum() < 3:
        return None
    later, size = time[after], np.hypot(*acceleration[:, after])
    sizes = np.hypot(draws[:, 0][:, after], draws[:, 1][:, after])
    if not np.isfinite(size).all() or size.max() < OUTCOME.contact_least * GRAVITY:
        return None
    errors = np.std(draws[..., after], axis=0)
    noise = np.hypot(errors[0], errors[1]) if len(draws) > 1 else np.zeros(len(later))
    within = None if near_mask is None else near_mask[after]
    last, end, ended = contact_end(later, size, noise, within)
    ends = np.array([contact_end(later, row, noise, within)[1] for row in sizes])
    spread = float(np.std(ends, ddof=1)) if len(ends) > 1 else 0.0
    width = end - last if ended else float(later[-1] - later[-2])
    return ContactEnd(end, float(np.hypot(spread, width / np.sqrt(12.0))), ended, ends)


def contact_end(
    time: Array,
    size: Array,
    noise: Array | float = 0.0,
    near_mask: NDArray[np.bool_] | None = None,
) -> tuple[float, float, bool]:
    """When an acceleration's size (n,), m/s^2, was last above the level, when it has died away, and
    whether it has by the end of time (n,), s, from time zero on. `noise` (n,) is its uncertainty,
    m/s^2: on top of what tyres give it must not pass for contact. `near_mask` (n,): see
    `find_contact`.
    """
    greatest = float(size.max())
    usual = min(OUTCOME.contact_force * GRAVITY, OUTCOME.contact_share * greatest)
    level = np.maximum(usual, OUTCOME.tyres_share * usual + OUTCOME.noise_sigmas * noise)
    level = np.minimum(level, OUTCOME.contact_most * greatest)
    pushed = np.flatnonzero(size >= level)
    if not len(pushed) or greatest <= 0.0:
        return float(time[0]), float(time[0]), True
    peak = int(np.argmax(size))
    gaps = np.diff(time[pushed]) > OUTCOME.contact_gap
    if near_mask is not None:
        out = np.r_[0, np.cumsum(~near_mask)]  # how many times before each are out of reach
        gaps &= out[pushed[1:]] > out[pushed[:-1]]
    lasts = pushed[np.r_[gaps, True]]
    k = int(lasts[np.searchsorted(lasts, peak)])
    last = float(time[k])
    if time[-1] - last < OUTCOME.contact_hold:
        return last, float(time[-1]), False
    gone = OUTCOME.contact_over * greatest
    while k + 1 < len(size) and gone < size[k + 1] < size[k]:
        k += 1
    if k + 1 < len(size) and size[k + 1] <= gone < size[k]:
        share = (size[k] - gone) / (size[k] - size[k + 1])
        return last, float(time[k] + share * (time[k + 1] - time[k])), True
    return last, float(time[k]), True
