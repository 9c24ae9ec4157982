"""How a camera's own times stand to the common clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array


@dataclass(frozen=True)
class Clock:
    """Offset of a camera's own times, with its standard uncertainty, and relative rate error.

    The common clock reads `t (1 + rate_error) + offset` where the camera's own reads `t`, s. The
    default is a clock without error.
    """

    offset: float = 0.0  # s
    offset_u: float = 0.0
    rate_error: float = 0.0  # 1

    def common_times(self, seconds: Array) -> Array:
        """Readings (n,) s of the common clock at the camera's own times (n,) s."""
        return np.asarray(seconds * (1 + self.rate_error) + self.offset)
