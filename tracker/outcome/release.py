"""When a contact lets go, from how the velocities settle.

The force of a contact that ends falls to nothing as a power of the time that is left: in proportion
to it for a spring at constant parting speed (half-sine pulses end so), with the power 1.5 for round
elastic bodies (Hertz; Johnson, Contact Mechanics, 1985, eq. 4.23), with its square where what is
pressed stiffens (haversine pulses end so). Its integral stands in every velocity, on the straight
line that tyres give. The power and the moment are those that fit best. Velocities are known far
better than accelerations, in which a level near nothing drowns. The yaw rate is left out: it
knows the force by its lever arm only, and where that is short its curve lags behind.
"""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.outcome.options import OUTCOME

_POWERS = (1.0, 1.25, 1.5, 1.75, 2.0)
"""Of the force that dies away, in the time that is left."""


def fall_window(
    time: Array, size: Array, end: float, level_end: float
) -> tuple[float, float] | None:
    """The times, s, between which the last blow's force falls and a little of what follows.

    `size` (n,) is the horizontal acceleration at times (n,) s; it has about died away at
    `level_end`, s, and contact is taken to end at `end`, s. None where the record shows too little
    of either.
    """
    before = np.flatnonzero((time > level_end - OUTCOME.release_fall) & (time <= level_end))
    if len(before) < 2:
        return None
    top = before[int(np.argmax(size[before]))]
    low = np.flatnonzero(size[top:] < OUTCOME.release_share * size[top])
    if not len(low):
        return None
    start = float(time[top + low[0]])
    stop = end + max(OUTCOME.contact_hold, OUTCOME.release_after * (end - start))
    inside = int(np.sum((time >= start) & (time <= stop)))
    return (start, stop) if start < level_end and inside >= OUTCOME.release_times else None


def release_times(time: Array, velocities: Array) -> Array | None:
    """The moment of release (m,), s, of each draw; None where too many draws show none before the
    last time.

    `velocities` (m, n, k) are draws of k velocities of the cg at times (n,) s, those of a
    `fall_window`; each has the weight of its spread over the draws.
    """
    sd = np.median(np.std(velocities, axis=0), axis=0)
    sd = np.maximum(sd, OUTCOME.release_least * np.ptp(velocities[0], axis=0))
    known = sd > 0
    if not known.any():
        return None
    moments = np.linspace(time[1], time[-3], OUTCOME.release_steps)
    seen = np.swapaxes(velocities[..., known] / sd[known], 0, 1).reshape(len(time), -1)
    shape = len(velocities), int(known.sum())
    least, found = np.full(shape[0], np.inf), np.zeros(shape[0], dtype=np.intp)
    for k, moment in enumerate(moments):
        for power in _POWERS:
            base = _basis(time - moment, power)
            left = ((seen - base @ (base.T @ seen)) ** 2).sum(axis=0).reshape(shape).sum(axis=1)
            better = left < least
            least[better], found[better] = left[better], k
    none = float(np.mean(found == len(moments) - 1))
    return moments[found] if none <= OUTCOME.release_none else None


def _basis(since: Array, power: float) -> Array:
    """Orthonormal columns (n, 3) that span a velocity: a straight line and, before 0, the integral
    of the dying force, at times (n,) s from the release.
    """
    dying = np.maximum(0.0, -since) ** (power + 1.0)
    design = np.stack([np.ones_like(since), since, dying], axis=1)
    return np.asarray(np.linalg.qr(design / np.abs(design).max(axis=0))[0])
