"""Measure known marks in one picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from numpy.typing import NDArray

from calibration.camera import Array
from tracker.marks.shape import Fixes, Shape


def measure(
    luma: NDArray[Any],
    shapes: Sequence[Shape],
    predicted: Array,
    motion: Array | None = None,
    *,
    white: float,
    noise: float | None = None,
) -> Fixes:
    """Positions of marks of known looks near their predicted places.

    Parameters
    ----------
    luma : (rows, columns) uint8 or uint16, read only; any strides.
    shapes : what each mark looked like when last measured clean.
    predicted : (n, 2) px, right to a pixel or two.
    motion : (n, 2) px that each mark moves during the exposure; None for none.
    white : grey at which the picture clips.
    noise : standard deviation of a pixel's grey; None takes each shape's own.

    A clean mark has its whole shape fitted again, so that turning, tilting, changing blur and light
    are followed (`Fix.shape` is the start for the next picture). Where the fit is not clean, the
    shape is held and what doesn't belong to the mark is weighted out.
    """
    raise NotImplementedError
