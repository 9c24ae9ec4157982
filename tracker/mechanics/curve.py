"""The force between the vehicles against their closing, from time zero to the greatest closing."""

from __future__ import annotations

import numpy as np

from calibration.camera import Array
from tracker.integration import integrate
from tracker.mechanics.pair import Pair
from tracker.results import ForceCrush

POINTS = 241


def force_crush(pair: Pair) -> ForceCrush | None:
    """The force-crush curve with its draws; None where the vehicles do not close.

    Each row's force is taken as a function of its own closing, so that an error of the closing
    counts as one of the force. Beyond a row's own greatest closing its last force is held.
    """
    closing = pair.closing
    most = float(closing[0].max())
    if most <= 0:
        return None
    grid = np.linspace(0.0, most, POINTS)
    rows = np.stack([_against(c, f, grid) for c, f in zip(closing, pair.force, strict=True)])
    energy = integrate(grid, rows)
    return ForceCrush(
        grid,
        rows[0],
        rows[1:].std(axis=0, ddof=1),
        energy[0],
        energy[1:].std(axis=0, ddof=1),
        rows[1:],
    )


def _against(closing: Array, force: Array, grid: Array) -> Array:
    """Force at the closings of the grid. The sample of the greatest closing itself is left out,
    since the cushion may be letting go there already.
    """
    last = max(int(np.argmax(closing)), 2)
    growing = np.maximum.accumulate(closing[:last])
    new = np.r_[True, np.diff(growing) > 0]
    return np.asarray(np.interp(grid, growing[new], force[:last][new]))
