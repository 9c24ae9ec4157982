"""The frozen values that travel from room to room, with shape, unit and frame of reference.

Ground axes: x along the intended path of the striking vehicle, y to the right, z down (SAE J1733).
Vehicle axes: x forward, y right, z down. Attitude: yaw, then pitch, then roll, intrinsic z-y-x
(SAE J670). Pixels: (u, v), the centre of the top-left pixel at (0, 0). Times: s, 0 at first
contact. Everything is SI and radians.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from typing import Literal, NamedTuple, Self, get_args

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array

STATE = (
    "x_m",
    "y_m",
    "z_m",
    "roll_rad",
    "pitch_rad",
    "yaw_rad",
    "vx_mps",
    "vy_mps",
    "vz_mps",
    "roll_rate_radps",
    "pitch_rate_radps",
    "yaw_rate_radps",
    "ax_mps2",
    "ay_mps2",
    "az_mps2",
)
"""Columns of a motion state, in the order of `motion/<vehicle>.csv`: the cg in ground axes. The
angular rates are time derivatives of the attitude angles, not body rates."""

Pattern = Literal["quadrant", "hourglass", "disc", "ring", "cross", "patch"]
PATTERNS: tuple[Pattern, ...] = get_args(Pattern)
"""The patterns of painted targets, in the order in which people are offered them."""

Progress = Callable[[str, int, int], None]
"""Called with (stage, done, total); total 0 where it is not known."""


SURVEY = "survey"
"""Stands for the vehicle in the identity of a fixed target, as in "survey.g1"."""
ARTICLE = "article"
"""Stands for the vehicle in the identity of a mark on the test article, as in "article.post7"."""


class ChannelId(NamedTuple):
    """A channel of a vehicle's accelerometers, as a solution keys it."""

    vehicle: str
    name: str  # as in the record: "ax", "yaw_rate"


class MarkId(str):
    """A mark's identity: its vehicle, or `SURVEY` of a fixed target, and its own name there.

    It is its own text form, "vehicle.marker" or "survey.name", so that it keys what a file keys by
    that text. Names hold no full stop.
    """

    __slots__ = ()

    def __new__(cls, vehicle: str, marker: str) -> Self:
        """The identity of a vehicle's marker. Raises ValueError where a name can't be one."""
        if not vehicle or not marker or "." in vehicle:
            raise ValueError(f"{vehicle!r} and {marker!r} name no mark")
        return super().__new__(cls, f"{vehicle}.{marker}")

    def __getnewargs__(self) -> tuple[str, str]:  # type: ignore[override]  # str gives its text
        return self.vehicle, self.marker

    @classmethod
    def parse(cls, text: str) -> Self:
        """The identity that a file writes as "vehicle.marker". Raises ValueError for other text."""
        vehicle, _, marker = text.partition(".")
        return cls(vehicle, marker)

    @property
    def vehicle(self) -> str:
        """The vehicle's name; `SURVEY` of a fixed target."""
        return self.partition(".")[0]

    @property
    def marker(self) -> str:
        """The name that the mark has on its vehicle or in the survey."""
        return self.partition(".")[2]

    @property
    def is_fixed(self) -> bool:
        """Whether it is a target of the survey, which stands on the ground."""
        return self.vehicle == SURVEY

    @property
    def is_free(self) -> bool:
        """Whether it is a mark on the test article, which moves by itself."""
        return self.vehicle == ARTICLE


class Status(IntEnum):
    """What became of a mark in a frame."""

    HIDDEN = 0  # not visible: covered, burnt out, outside the picture
    MEASURED = 1
    LOST = 2  # hidden and not seen again to that end of the film
    EDITED = 3  # placed by a person


@dataclass(frozen=True)
class Mark:
    """A painted target as a camera looks for it."""

    name: MarkId
    pattern: Pattern
    pixel: tuple[float, float]  # rough pick; NaN without one
    frame: int  # frame of the pick
    size_px: float  # outer diameter or side in the picture at the pick; NaN if unknown
    more: tuple[tuple[int, tuple[float, float]], ...] = ()  # further picks: frame, pixel

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", MarkId.parse(self.name))

    @property
    def is_picked(self) -> bool:
        """Whether anything says where it is."""
        return self.pixel[0] == self.pixel[0]


@dataclass(frozen=True)
class Tracks:
    """Where a camera saw its marks. Coordinates are as in the picture, nothing corrected."""

    camera: str
    marks: tuple[MarkId, ...]
    position: Array  # (frames, marks, 2) px, NaN where there is no measurement
    covariance: Array  # (frames, marks, 2, 2) px^2
    status: NDArray[np.int8]  # (frames, marks), values of Status

    def __post_init__(self) -> None:
        object.__setattr__(self, "marks", tuple(MarkId.parse(mark) for mark in self.marks))

    @property
    def measured_mask(self) -> NDArray[np.bool_]:
        """True (frames, marks) where there is a position to use."""
        return np.isin(self.status, (Status.MEASURED, Status.EDITED))


@dataclass(frozen=True)
class Quantity:
    """A result: SI value, its unit, its standard uncertainty (k = 1), the time of an extreme.

    `at_end`: the record ends while it still grows or lasts, or shows it smoothed; the value is the
    least it can be.
    """

    value: float
    unit: str
    u: float
    time: float | None = None
    at_end: bool = False


@dataclass(frozen=True)
class Motion:
    """A vehicle's motion at given times; columns are `STATE`."""

    time: Array  # (n,) s
    state: Array  # (n, 15)
    u: Array  # (n, 15) standard uncertainties
    observed_mask: NDArray[np.bool_]  # (n, 15): False where no camera determines it

    def __getitem__(self, column: str) -> Array:
        """Values (n,) of a column of `STATE`, as `motion["vx_mps"]`; KeyError for another name."""
        return np.asarray(self.state[:, _column(column)])

    def u_of(self, column: str) -> Array:
        """Standard uncertainties (n,) of a column of `STATE`, in its unit."""
        return np.asarray(self.u[:, _column(column)])


@dataclass(frozen=True)
class FreePath:
    """The path of a mark that moves by itself, ground axes, m, with draws of it."""

    time: Array  # (n,) s, as long as the mark was seen
    position: Array  # (n, 3); NaN where no camera determines it
    u: Array  # (n, 3) standard uncertainties
    draws: Array  # (m, n, 3)
    start: Array  # (3,) before contact
    start_draws: Array  # (m, 3)
    lost_at: float | None = None  # s; when it was last seen, where every camera lost it for good


def _column(name: str) -> int:
    if name not in STATE:
        raise KeyError(name)
    return STATE.index(name)


def silent(stage: str, done: int, total: int) -> None:
    """A `Progress` that reports nothing."""
