"""How a cushion's force depends on the closing speed: assumed, or learnt from two of its tests.

The force at a closing s is that of the test times 1 + r (v - v0(s)), v0 being the closing speed
that the test had there: a linear dependence, such as the viscous part of a cushion gives. One test
can't show r. No cushion is softer for being crushed faster, so that r lies between none and a
greatest rate: it is taken as uniform there, its middle as the estimate (GUM, JCGM 100, 4.3.7).
"""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.core.types import Quantity
from tracker.mechanics.force_crush import shortest_wave
from tracker.mechanics.options import MECHANICS, PREDICTION
from tracker.results.balances import ForceCrush, Mechanics

ASSUMED_RATE = Quantity(
    0.5 * PREDICTION.greatest_rate, "s/m", PREDICTION.greatest_rate / np.sqrt(12.0)
)
"""Without a second test: anything from none to the greatest rate is as likely."""


def closing_speeds(curve: ForceCrush, known: Mechanics, masses: tuple[float, float]) -> Array:
    """The closing speed (n,) that a test had at each closing of its curve, m/s.

    By the energy that the cushion has taken, m v^2 / 2 = m v0^2 / 2 - E(s), with the reduced mass m
    of the two vehicles (kg, striking and struck); ground friction is left out.
    """
    reduced = masses[0] * masses[1] / (masses[0] + masses[1])
    squared = known.closing_speed.value**2 - 2.0 * curve.energy / reduced
    return np.asarray(np.sqrt(np.maximum(squared, 0.0)))


def learnt_rate(
    one: tuple[ForceCrush, Array], other: tuple[ForceCrush, Array], scatter: float
) -> Quantity:
    """The dependence r on speed (s/m) from two tests of one kind of cushion.

    Parameters
    ----------
    one, other : each test's curve, and its closing speed (n,) at each closing.
    scatter : standard uncertainty of one cushion's force beside another's, as a share.

    The ratio of the forces at equal closings is (1 + c) (1 + r (v2 - v1)): c, by which the two
    specimens differ, and r are found by least squares with their priors (c: none, u `scatter`;
    r: `ASSUMED_RATE`), over as many independent places as the curves resolve.
    """
    (a, va), (b, vb) = one, other
    last = min(a.closing[-1], b.closing[-1])
    start = MECHANICS.compared_from
    grid = np.linspace(start * last, (1 - start) * last, MECHANICS.compared_places)
    fa, fb = (np.interp(grid, curve.closing, curve.force) for curve in (a, b))
    ua, ub = (np.interp(grid, curve.closing, curve.force_u) for curve in (a, b))
    faster = np.interp(grid, b.closing, vb) - np.interp(grid, a.closing, va)
    sound = (fa > 0) & (fb > 0)
    ratio = np.where(sound, fb / np.where(sound, fa, 1.0), 1.0) - 1.0
    sd = np.hypot(ua / np.maximum(np.abs(fa), 1.0), ub / np.maximum(np.abs(fb), 1.0))
    wave = max(
        shortest_wave(curve.draws - curve.draws.mean(axis=0), curve.closing) for curve in (a, b)
    )
    places = np.clip(2.0 * (grid[-1] - grid[0]) / wave, 2.0, len(grid))
    weight = np.where(sound, places / len(grid) / np.maximum(sd, 1e-3) ** 2, 0.0)
    design = np.stack((np.ones_like(grid), faster), axis=-1)
    prior = np.diag((1.0 / max(scatter**2, 1e-12), 1.0 / ASSUMED_RATE.u**2))
    weighted = (design * weight[:, None]).T
    normal = weighted @ design + prior
    found = np.linalg.solve(normal, weighted @ ratio + prior @ (0.0, ASSUMED_RATE.value))
    return Quantity(float(found[1]), "s/m", float(np.sqrt(np.linalg.inv(normal)[1, 1])))
