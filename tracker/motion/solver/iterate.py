"""Where the iteration stands."""

from __future__ import annotations

from dataclasses import dataclass

from numpy import bool_
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model.mark_noise import Noise
from tracker.motion.solver import linearization


@dataclass(frozen=True)
class Iterate:
    """Values and what they rest on."""

    at: linearization.Point
    jerk_densities: tuple[Array, ...]  # (stretches, 6) a body
    weights: list[Array]  # (frames, marks) an eye, variance factor included
    noise: tuple[Noise, ...]  # an eye
    inlier_masks: list[NDArray[bool_]]  # (frames, marks) an eye
    fixed_mask: NDArray[bool_]  # (unknowns,) left where they are believed to be
