"""What the compiled fit takes besides the marks: pixels, priors, noise and how far it goes.

Named tuples, since compiled functions accept them.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array


class PixelLists(NamedTuple):
    """The pixels of n marks, one mark's behind another's."""

    pixels: Array  # (3, m): x, y, grey
    first: NDArray[np.int64]  # (n + 1,) where each mark's begin, and their end
    outside: Array  # (n,) pixels of each window that lie outside the picture

    def part(self, a: int, b: int) -> PixelLists:
        """The same for marks a to b, b not included."""
        return PixelLists(self.pixels, self.first[a : b + 1], self.outside[a:b])


class FitPrior(NamedTuple):
    """Where n marks' parameters are believed to be."""

    centre: Array  # (n, PARAMETERS)
    precision: Array  # (n, PARAMETERS) 1/sd²; 0 for none, huge to hold a parameter

    def part(self, a: int, b: int) -> FitPrior:
        """The same for marks a to b, b not included."""
        return FitPrior(self.centre[a:b], self.precision[a:b])

    def take(self, index: NDArray[np.int64]) -> FitPrior:
        """The same for these marks."""
        return FitPrior(self.centre[index], self.precision[index])


class FitNoise(NamedTuple):
    """How far pixels may be from the model."""

    white: float  # grey at which the picture clips
    sigma: Array  # (n,) grey
    scale: Array  # (n,) of Tukey's weights, in sigma; 0 for least squares

    def part(self, a: int, b: int) -> FitNoise:
        """The same for marks a to b, b not included."""
        return FitNoise(self.white, self.sigma[a:b], self.scale[a:b])

    def take(self, index: NDArray[np.int64]) -> FitNoise:
        """The same for these marks."""
        return FitNoise(self.white, self.sigma[index], self.scale[index])


class FitControl(NamedTuple):
    """How far a fit goes."""

    free: int  # this many parameters can move; even
    passes: int
