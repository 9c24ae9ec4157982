"""What takes long to load, loaded before it is needed."""

from __future__ import annotations

import numpy as np


def warm() -> None:
    """Load what fits marks, so that the first one need not be waited for."""
    from tracker.marks import Picture, locate_mark

    x, y = np.meshgrid(np.arange(48) - 23.5, np.arange(48) - 23.5)
    luma = np.where(x * x + y * y < 144, np.where(x * y > 0, 210, 20), 120).astype(np.uint8)
    locate_mark(Picture(luma, 255.0), "quadrant", np.array([23.5, 23.5]), 24.0)
