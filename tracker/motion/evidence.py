"""Evidence of the estimate: marks of cameras, survey of vehicles, readings of accelerometers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.core.types import MarkId
from tracker.motion.model.common_errors import NO_SURVEY_ERRORS, SurveyErrors


class PictureStabilisation(Protocol):
    """Takes the picture's own motion out (film weave, camera vibration)."""

    @property
    def covariance(self) -> Array:
        """(frames, 4, 4) of shift u, shift v (px), turn (rad), ln scale."""
        ...

    @property
    def centre(self) -> Array:
        """(2,) px, what turn and scale are about."""
        ...

    def stabilised_pixels(self, frame: int, uv: Array) -> Array:
        """Pixels (n, 2) seen in this frame, as seen in the reference frame."""
        ...


@dataclass(frozen=True)
class CameraEvidence:
    """One camera's marks. `camera` is the calibration's mean and covariance; times are those of
    the middle of the exposure by the camera's own clock.
    """

    camera: Camera
    seconds: Array  # (frames,)
    zero_u: float  # s, sd of the camera's time offset; inf: its time zero is not known
    rate_u: float  # relative sd of the frame interval
    stabilisation: PictureStabilisation | None
    marks: tuple[MarkId, ...]
    position: Array  # (frames, marks, 2) px, as in the picture
    covariance: Array  # (frames, marks, 2, 2) px^2
    measured_mask: NDArray[np.bool_]  # (frames, marks)
    zero_common_u: float = 0.0  # s, sd of contact beside `zero_u`, the same for all cameras
    zero: float = 0.0  # s, from the camera's clock to the common one, as far as is known
    zero_late: float = 0.0  # s, contact may be earlier by up to it: a lamp of unknown lag


@dataclass(frozen=True)
class VehicleGeometry:
    """A vehicle's survey, in vehicle axes, m. `at` None: the marker's place is not known.

    `near` and `near_u` are a rough place of the cg about contact (ground axes, m), where something
    outside the film gives it (a scale bar's plane); NaN where nothing does. `heading` likewise
    (rad). `own_u` are standard uncertainties of single markers, in place of `marker_u`, m;
    `flexible` are markers that may move against the vehicle from contact on.
    """

    cg: tuple[float, float, float]
    markers: Mapping[str, tuple[float, float, float] | None]
    marker_u: float  # m, standard uncertainty of each surveyed coordinate
    role: str = "striking"  # striking | struck | other
    heading: float | None = None
    near: tuple[float, float, float] = (np.nan, np.nan, np.nan)
    near_u: tuple[float, float, float] = (np.nan, np.nan, np.nan)
    own_u: Mapping[str, float] = field(default_factory=dict)
    flexible: frozenset[str] = frozenset()
    survey_errors: SurveyErrors = NO_SURVEY_ERRORS


@dataclass(frozen=True)
class AccelerometerEvidence:
    """Specific force less its reading at rest, vehicle axes, of one place in a vehicle.

    Each value is the mean reading over `width` seconds about its time, so that neighbours are
    nearly independent; `noise` is the sd of one value. NaN: dropped out or saturated. Rates are
    body rates (rad/s). The standard uncertainties are those of a sound channel.
    """

    vehicle: str
    at: tuple[float, float, float]  # vehicle axes, m
    seconds: Array  # (n,)
    width: float  # s
    values: Mapping[str, Array]  # "ax", "ay", "az" (m/s^2), "roll_rate", "pitch_rate", "yaw_rate"
    noise: Mapping[str, float]
    scale_u: float = 0.01
    offset_u: Mapping[str, float] = field(default_factory=dict)  # default 5 m/s^2, 0.05 rad/s
    shift_u: float = 2e-3  # s, of the block's clock
    transverse_u: float = 0.015  # of the response to each other axis
    vibration: Mapping[str, float] = field(default_factory=dict)  # sd, m/s and rad; default 0
    vibration_time: float = 5e-3  # s over which it is correlated
