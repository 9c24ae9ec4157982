"""The one alias for arrays of numbers, and stretches of a mask."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
"""Float array; its shape, unit and frame of reference stand in the docstring that uses it."""


def mask_runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Half-open (start, end) of each stretch of True in a mask (n,)."""
    edges = np.flatnonzero(np.diff(np.r_[False, mask, False].astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
