"""What happened after contact, as fields of the results: exit, final place, article, events.

Units are SI; u is a standard uncertainty (k = 1). Definitions: `tracker.outcome.exit`, `exit_box`,
`rest` and `deflection`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from calibration.arrays import Array
from tracker.core.types import Quantity


@dataclass(frozen=True)
class ExitBoxResult:
    """Whether the wheels crossed the long side of the exit box; None: the film does not show it."""

    crossed: bool | None
    at: Quantity | None  # m downstream of the loss of contact; None: nowhere that the film shows
    why: str
    depth: float  # m, A, from the undeformed traffic face
    length: float  # m, B
    corners: tuple[tuple[float, float], ...] = ()  # m, ground x, y


@dataclass(frozen=True)
class ExitResult:
    """A vehicle at the loss of contact. Angles against the article's face, else ground x."""

    time: float  # s
    time_u: float
    source: Literal["found", "typed"]
    speed: Quantity | None  # m/s
    trajectory_angle: Quantity | None  # rad, to the right +
    heading_angle: Quantity | None  # rad
    yaw_rate: Quantity | None  # rad/s
    exit_box: ExitBoxResult | None = None


@dataclass(frozen=True)
class JointResult:
    """How a vehicle that hangs on another by a joint is turned against it."""

    to: str
    max_yaw: Quantity | None  # rad, to the right +, with its time
    min_yaw: Quantity | None
    gap: Quantity | None  # m, of the joint's two places before they are made one, where it stands
    # out most from its u


@dataclass(frozen=True)
class WheelResult:
    """A wheel against its vehicle."""

    max_steer: Quantity | None  # rad, to the right +, with its time
    min_steer: Quantity | None
    turn_rate: Quantity | None  # rad/s, greatest by size, as pitch: rolling ahead it is negative


@dataclass(frozen=True)
class FinalResult:
    """The last place of a vehicle's cg. `at_rest` False: where the film ended."""

    x: Quantity | None  # m, ground axes
    y: Quantity | None
    heading: Quantity | None  # rad
    at_rest: bool
    source: Literal["film", "photograph", "tape"]
    downstream: Quantity | None = None  # m from the point of impact, along the face or ground x
    lateral: Quantity | None = None  # m off the face to the traffic side; else to the right


@dataclass(frozen=True)
class ArticleFigure:
    """A distance of the article, the mark or vehicle point that sets it, and when."""

    value: float  # m
    unit: str
    u: float
    mark: str
    time: float | None = None  # s
    at_end: bool = False


@dataclass(frozen=True)
class ArticleMarkResult:
    """One mark of the article. `lost_at`: when it was last seen, where it was lost for good.

    `detached`: what bears it broke off, as the film shows or the record says; `detached_at` is the
    record's time of that.
    """

    dynamic_deflection: Quantity | None
    permanent_deflection: Quantity | None
    lost_at: float | None = None  # s
    detached: bool = False
    detached_at: float | None = None  # s


@dataclass(frozen=True)
class ArticleResult:
    """How far the article moved, square to its undeformed traffic face (EN 1317-2)."""

    dynamic_deflection: ArticleFigure | None = None
    permanent_deflection: ArticleFigure | None = None
    working_width: ArticleFigure | None = None
    vehicle_intrusion: ArticleFigure | None = None
    marks: Mapping[str, ArticleMarkResult] = field(default_factory=dict)
    heading: float = 0.0  # rad, of the face
    offset: float | None = None  # m, of the face from the ground origin; None: not stated
    side: float = 1.0  # 1: to the right of the traffic
    width: float | None = None  # m
    kind: Literal["rail", "pole"] = "rail"  # a pole's distances are along ground x


@dataclass(frozen=True)
class EventResult:
    """A line of the sequence of events. `kind` is a word for programs; `frames` by camera."""

    time: float  # s
    text: str
    source: Literal["found", "typed"]
    kind: str = "typed"
    u: float | None = None  # s
    frames: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class ArticlePath:
    """The path of a mark of the article, ground axes."""

    time: Array  # (n,) s
    position: Array  # (n, 3) m, NaN where no camera determines it
    u: Array  # (n, 3)
    start: Array  # (3,) m, before contact


@dataclass(frozen=True)
class VehicleOutline:
    """A vehicle seen from above, in vehicle axes, m: what a plan view draws."""

    front: float  # x of its foremost place
    length: float
    width: float
    cg: tuple[float, float, float]
