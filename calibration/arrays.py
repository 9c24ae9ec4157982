"""The one alias for arrays of numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
"""Float array; its shape, unit and frame of reference stand in the docstring that uses it."""
