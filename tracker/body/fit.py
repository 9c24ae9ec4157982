"""Where the iteration stands."""

from __future__ import annotations

from dataclasses import dataclass

from numpy import bool_
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.body import newton


@dataclass(frozen=True)
class Fit:
    """Values, their system and what they rest on."""

    at: newton.Point
    system: newton.System
    strengths: tuple[Array, ...]  # (stretches, 6) a body
    weights: list[Array]  # (frames, marks) an eye, variance factor included
    factors: Array  # (eyes,) variance factors
    chi_square: Array  # (eyes,) per degree of freedom
    lag: Array  # (eyes,) correlation of residuals from frame to frame
    drag: Array  # (eyes,) what of the factor comes from that
    keep: list[NDArray[bool_]]  # (frames, marks) an eye
    held: NDArray[bool_]  # (unknowns,) left where they are believed to be
