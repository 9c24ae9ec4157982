"""Where the iteration stands."""

from __future__ import annotations

from dataclasses import dataclass

from numpy import bool_
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.body import newton
from tracker.body.noise import Noise


@dataclass(frozen=True)
class Fit:
    """Values and what they rest on."""

    at: newton.Point
    strengths: tuple[Array, ...]  # (stretches, 6) a body
    weights: list[Array]  # (frames, marks) an eye, variance factor included
    noise: tuple[Noise, ...]  # an eye
    keep: list[NDArray[bool_]]  # (frames, marks) an eye
    held: NDArray[bool_]  # (unknowns,) left where they are believed to be
