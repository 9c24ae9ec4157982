"""How a camera was calibrated, as results hold it.

The residual of a fixed target is one thing everywhere: its measured place in the stabilised
picture (mean over the film) less the place where the calibrated camera projects its surveyed
coordinates, u to the right and v down. A withheld residual is the same with a camera that was
calibrated without that target.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

Pair = tuple[float, float]
Triple = tuple[float, float, float]


@dataclass(frozen=True)
class TargetResult:
    """A surveyed target: where it stands, and what the calibration leaves of it."""

    at: Triple  # m, ground axes
    at_u: Triple  # m
    residual_px: Pair
    residual_m: Pair  # at the target's distance, square to the line of sight
    expected_px: Pair  # standard deviation that the stated uncertainties let expect
    withheld_px: Pair | None = None  # None where the others can't give a camera
    withheld_expected_px: Pair | None = None
    used: bool = True


@dataclass(frozen=True)
class LensResult:
    """The lens in use, in OpenCV's model, and where it comes from."""

    source: str
    date: str  # ISO 8601, of its calibration; empty where nobody stated it
    focal_px: Pair
    centre_px: Pair
    distortion: tuple[float, ...]  # k1 k2 p1 p2 k3
    u: tuple[float, ...]  # of fx, fy, cx, cy, k1 k2 p1 p2 k3


@dataclass(frozen=True)
class CalibrationResult:
    """What a camera's calibration rests on and what it is worth."""

    size: tuple[int, int]  # width, height, px
    bits: int
    exposure: float | None  # s, as the record states it
    view_angles: Pair  # rad, horizontal and vertical, lens distortion left out
    scale: float | None  # m a pixel in the plane of motion, square to the line of sight
    lens: LensResult
    ground_u_source: str = "default"  # "record" where the survey states it
    instrument: str = ""  # of the survey, as the record states it
    targets: Mapping[str, TargetResult] = field(default_factory=dict)
