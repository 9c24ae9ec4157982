"""Two masses and a crush cushion between them, integrated over many possible cushions at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from calibration.constants import GRAVITY
from tracker.mechanics.options import PREDICTION


@dataclass(frozen=True)
class CushionForce:
    """Force against closing of k possible cushions, and the way over which each lets go."""

    closing: Array  # (n,) m, equal steps from 0
    force: Array  # (k, n) N
    unloading: Array  # (k,) m of parting over which the force dies away, linearly
    speed: Array  # (n,) m/s, closing speed that the test had at each closing
    rate: Array  # (k,) s/m, share of the force that each m/s above that speed adds


@dataclass(frozen=True)
class TwoMassMotion:
    """What the two masses did; k rows, n times."""

    time: Array  # (n,) s from contact
    acceleration: Array  # (k, n) m/s2, of the striking vehicle
    speed: Array  # (k, n) m/s
    struck_speed: Array  # (k, n) m/s
    closing: Array  # (k, n) m
    unknown_from: Array  # (k,) s, when the closing leaves what was measured; infinity: never


def drive(
    cushion: CushionForce,
    mass: Array,
    speed: Array,
    struck_mass: Array | None,
    friction: Array,
    rolling: Array,
    until: float = PREDICTION.longest,
    step: float = PREDICTION.step,
) -> TwoMassMotion:
    """The motion of the striking vehicle into the struck one, from contact on.

    Parameters
    ----------
    mass, speed : (k,) kg and m/s of the striking vehicle.
    struck_mass : (k,) kg; None for one that is blocked.
    friction : (k,) of the struck vehicle's tyres on the ground.
    rolling : (k,) ground friction of the striking vehicle over its weight.
    until, step : s.

    The cushion's force depends on the closing, and linearly on the closing speed; on parting it
    falls linearly to nothing.
    Fourth-order Runge-Kutta steps; the greatest closing so far counts from step to step.
    """
    rows, count = len(mass), round(until / step) + 1
    grip = friction * GRAVITY
    spacing = float(cushion.closing[1] - cushion.closing[0])
    last, row = len(cushion.closing) - 2, np.arange(rows)

    def force(closing: Array, parting: Array, peak: Array, speed: Array) -> Array:
        depth = np.where(parting, peak, closing)
        place = np.clip(depth / spacing, 0.0, last + 1.0)
        k = np.minimum(place.astype(np.intp), last)
        left = cushion.force[row, k]
        found = left + (place - k) * (cushion.force[row, k + 1] - left)
        of_test = cushion.speed[k] + (place - k) * (cushion.speed[k + 1] - cushion.speed[k])
        faster = np.where(parting, 0.0, speed) - of_test
        found = found * np.maximum(1.0 + cushion.rate * faster, PREDICTION.least_force)
        remaining = np.clip(1.0 - (peak - closing) / cushion.unloading, 0.0, 1.0)
        return np.asarray(np.where(parting, found * remaining, found))

    def rates(state: Array, peak: Array) -> Array:
        closing, own, other = state
        parting = closing < peak - 1e-12
        push = force(closing, parting, peak, own - other)
        slowing = -push / mass - rolling * GRAVITY * (own > 0)
        if struck_mass is None:
            gaining = np.zeros(rows)
        else:
            free = push / struck_mass - grip
            gaining = np.where(other > 1e-9, free, np.maximum(free, 0.0))
        return np.stack((own - other, slowing, gaining))

    state = np.stack((np.zeros(rows), speed * np.ones(rows), np.zeros(rows)))
    peak = np.zeros(rows)
    states, slowings = np.empty((count, 3, rows)), np.empty((count, rows))
    for i in range(count):
        first = rates(state, peak)
        states[i], slowings[i] = state, first[1]
        second = rates(state + 0.5 * step * first, peak)
        third = rates(state + 0.5 * step * second, peak)
        fourth = rates(state + step * third, peak)
        state = state + step / 6.0 * (first + 2.0 * second + 2.0 * third + fourth)
        state[2] = np.maximum(state[2], 0.0)
        peak = np.maximum(peak, state[0])
    time: Array = step * np.arange(count, dtype=np.float64)
    closing = states[:, 0].T
    out = closing > (1.0 + PREDICTION.beyond) * cushion.closing[-1]
    return TwoMassMotion(
        time,
        slowings.T,
        states[:, 1].T,
        states[:, 2].T,
        closing,
        np.where(out.any(axis=1), time[np.argmax(out, axis=1)], np.inf),
    )
