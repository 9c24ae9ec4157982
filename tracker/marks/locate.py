"""Find a mark from a rough pick."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from calibration.camera import Array
from tracker.marks.shape import Fix, Pattern


def locate(
    luma: NDArray[Any],
    pattern: Pattern,
    near: Array,
    size_px: float = float("nan"),
    search_px: float = float("nan"),
    *,
    white: float,
    motion: Array | None = None,
) -> Fix:
    """The mark nearest to a rough pick, and what it looks like.

    Parameters
    ----------
    luma : (rows, columns) uint8 or uint16.
    near : (2,) px, some pixels off, up to half a mark.
    size_px : outer diameter or side along the seen mark's longer axis, within a third; NaN if unknown.
    search_px : how far from `near` the centre may be; NaN for half the size.
    white : grey at which the picture clips.
    motion : (2,) px that the mark moves during the exposure; None for none.

    Orientation, tilt up to 70 degrees and polarity are found. Not found: `ok` is False and `why`
    says what spoke against it.
    """
    raise NotImplementedError
