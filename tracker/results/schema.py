"""The results of a test, as one frozen value: everything downstream reads it, nothing adds to it.

Field names are the keys of `results.json`. Units are SI (ridedown, PHD and mean accelerations in
g, 1 g = 9.80665 m/s^2; ASI in 1); uncertainties are standard uncertainties (k = 1). What could
not be determined is None, with a warning. Axes and signs are those of `tracker.core.types`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from calibration.arrays import Array
from calibration.camera import Camera
from calibration.findings import Diagnostic
from tracker.core.types import Motion, Quantity, Tracks
from tracker.results.after_contact import (
    ArticlePath,
    ArticleResult,
    EventResult,
    ExitResult,
    FinalResult,
    JointResult,
    VehicleOutline,
    WheelResult,
)
from tracker.results.balances import ForceCrush, Mechanics
from tracker.results.calibrations import CalibrationResult
from tracker.results.channels import ChannelFinding, CrossCheckResult
from tracker.results.paperwork import Assumption, ReportFields
from tracker.results.time_zero import TimeZeroResult
from tracker.results.verdicts import Criterion, DecisionRule, Measure, NotJudged
from tracker.storage.audit_log import Entry

SCHEMA = 1
PROGRAM = "impactfilm"


@dataclass(frozen=True)
class IntendedResult:
    """The test plan's impact conditions: m/s, rad, m."""

    speed: float | None = None
    angle: float | None = None
    offset: float | None = None


@dataclass(frozen=True)
class ConditionsResult:
    """Which test this is, and how its report shows units."""

    number: str
    title: str | None = None
    criteria: str = "none"
    date: str | None = None  # ISO 8601
    report_units: Literal["us", "si"] = "si"
    intended: IntendedResult = field(default_factory=IntendedResult)
    photographs: tuple[float, ...] = ()  # times of the sequence, s; empty: at the test's moments
    slow_motion: float | None = None  # how many times slower than life the marked films play
    report: ReportFields = field(default_factory=ReportFields)


@dataclass(frozen=True)
class Software:
    """What made these results, and from which files: name in the record to SHA-256."""

    version: str
    inputs: Mapping[str, str] = field(default_factory=dict)
    name: str = PROGRAM


@dataclass(frozen=True)
class FrameNumber:
    """A place in a film, fractions of a frame allowed."""

    value: float
    u: float


@dataclass(frozen=True)
class MarkCounts:
    """Sightings of all marks in all frames."""

    measured: int
    hidden: int
    lost: int


@dataclass(frozen=True)
class MarkFit:
    """How well one mark agrees with the solution."""

    rms_px: float
    frames: int  # frames used
    rejected: int = 0  # frames left out as disagreeing


@dataclass(frozen=True)
class CameraResult:
    """What is known of a camera and of its clock."""

    frames: int
    frame_rate: Quantity | None = None  # 1/s
    time_zero_frame: FrameNumber | None = None
    reprojection_rms_px: float | None = None
    survey_residuals_px: Mapping[str, float] = field(default_factory=dict)
    focal_px: float | None = None
    position: tuple[Quantity, Quantity, Quantity] | None = None  # m, ground axes
    steadiness_rms_px: float | None = None
    marks: MarkCounts | None = None
    film: str = ""  # as the record names it
    time_base: str = ""  # one sentence: where time comes from
    lens: str = ""  # one sentence: given or solved, and how well determined
    mark_fits: Mapping[str, MarkFit] = field(default_factory=dict)
    calibration: CalibrationResult | None = None


@dataclass(frozen=True)
class OccupantResult:
    """Occupant risk from one source of motion. See `tracker.outcome.occupant_risk` for signs."""

    oiv_x: Quantity | None = None  # m/s
    oiv_y: Quantity | None = None  # m/s
    oiv_time: Quantity | None = None  # s
    ridedown_x: Quantity | None = None  # g, windows centred at the impact or later
    ridedown_y: Quantity | None = None  # g
    ridedown_x_after: Quantity | None = None  # g, windows that begin at the impact or later
    ridedown_y_after: Quantity | None = None  # g
    thiv: Quantity | None = None  # m/s
    phd: Quantity | None = None  # g
    asi: Quantity | None = None  # 1, by means over 50 ms
    asi_13hz: Quantity | None = None  # 1, by the 13 Hz filter
    mean50_x: Quantity | None = None  # g
    mean50_y: Quantity | None = None  # g
    velocity_change_x: Quantity | None = None  # m/s, of the vehicle, while in contact
    velocity_change_y: Quantity | None = None  # m/s, vehicle axes


@dataclass(frozen=True)
class Occupant:
    """Occupant risk from the film, from the accelerometers, and from both together."""

    film: OccupantResult | None = None
    accelerometer: OccupantResult | None = None
    fused: OccupantResult | None = None


@dataclass(frozen=True)
class Stopping:
    """Way of a vehicle along ground x from time zero to rest (roll-ahead)."""

    travel: Quantity  # m
    source: Literal["film", "friction"]  # friction: from the film's end on, by the tyres'


@dataclass(frozen=True)
class VehicleResult:
    """The numbers a vehicle is judged by. Angles are changes from the mean before time zero."""

    role: str = "other"
    mass: float | None = None  # kg
    impact_speed: Quantity | None = None  # m/s, at time zero
    impact_angle: Quantity | None = None  # rad
    impact_offset: Quantity | None = None  # m
    max_pitch: Quantity | None = None  # rad
    min_pitch: Quantity | None = None
    max_roll: Quantity | None = None
    min_roll: Quantity | None = None
    max_yaw: Quantity | None = None
    min_yaw: Quantity | None = None
    max_rise: Quantity | None = None  # m
    travel_x: Quantity | None = None  # m
    travel_y: Quantity | None = None
    rest: bool | None = None
    end_speed: Quantity | None = None  # m/s, horizontal, as the film ends; None at rest
    stopping: Stopping | None = None
    velocity_change: Quantity | None = None  # m/s, along ground x, while in contact
    velocity_change_resultant: Quantity | None = None  # m/s, horizontal, while in contact
    principal_direction: Quantity | None = None  # rad, of the force on it, in its axes at time zero
    contact_end: Quantity | None = None  # s
    exit: ExitResult | None = None
    final: FinalResult | None = None
    outline: VehicleOutline | None = None
    joint: JointResult | None = None
    wheels: Mapping[str, WheelResult] = field(default_factory=dict)
    occupant: Occupant = field(default_factory=Occupant)


@dataclass(frozen=True)
class CrushResult:
    """Greatest closing of striking and struck vehicle along ground x."""

    max_dynamic: Quantity | None  # m
    at: float | None  # s
    kind: Literal["crush", "closing"] = "crush"  # closing: not head-on, so that not all is crush


@dataclass(frozen=True)
class AccelerometerResult:
    """One sensor block: what is wrong with it, and its own figures."""

    name: str
    vehicle: str
    primary: bool  # its figures are `occupant.accelerometer` of the vehicle
    faults: tuple[ChannelFinding, ...] = ()
    occupant: OccupantResult | None = None
    sample_rate: float | None = None  # 1/s
    cfc: float | None = None  # channel frequency class of the filter; None: none


@dataclass(frozen=True)
class SpeedCheck:
    """The film's impact speed beside an independent measurement."""

    film: Quantity
    speed_trap: Quantity
    agrees: bool


@dataclass(frozen=True)
class Share:
    """One source of uncertainty and what it contributes, in the budget's unit."""

    source: str
    u: float


@dataclass(frozen=True)
class Budget:
    """What makes up the uncertainty of a number."""

    quantity: str  # as "car: impact speed"
    unit: str
    u: float  # combined standard uncertainty
    shares: tuple[Share, ...] = ()
    measure: Measure = ""


@dataclass(frozen=True)
class PointPath:
    """The path of an unmarked point of a vehicle, ground axes, with standard uncertainties."""

    time: Array  # (n,) s
    position: Array  # (n, 3) m, NaN where no camera determines it
    velocity: Array  # (n, 3) m/s
    position_u: Array  # (n, 3)
    velocity_u: Array  # (n, 3)


@dataclass(frozen=True)
class Curve:
    """A curve against time for the report: of a vehicle or a camera, from one source.

    Quantities that the report draws: "velocity_x" (m/s, change from time zero, along the vehicle's
    x, from "film" and "accelerometer"), "acceleration_x" (m/s2), "steadiness_u", "steadiness_v"
    (px, of a camera).
    """

    of: str
    quantity: str
    source: str
    unit: str
    time: Array  # (n,) s
    value: Array  # (n,)
    u: Array | None = None  # (n,)


@dataclass(frozen=True)
class View:
    """What is needed to draw on a camera's film: the film, the camera, and its weave.

    `steadiness` (frames, 4) holds the picture's motion du, dv, turn and ln scale about `centre`;
    `lens_fit` (n, 4) where corners of a calibration board were seen and by how much that is off
    the lens' prediction, px.
    """

    film: str  # path of a movie or of a folder or glob of pictures; or a URL
    camera: Camera | None = None
    frame_rate: float | None = None  # nominal, for pictures, 1/s
    bits: int | None = None
    steadiness: Array | None = None
    centre: tuple[float, float] | None = None
    lens_fit: Array | None = None


@dataclass(frozen=True)
class Results:
    """Everything an analysis found out."""

    test: ConditionsResult
    software: Software
    cameras: Mapping[str, CameraResult] = field(default_factory=dict)
    vehicles: Mapping[str, VehicleResult] = field(default_factory=dict)
    crush: CrushResult | None = None
    mechanics: Mechanics | None = None
    cross_check: Mapping[str, CrossCheckResult] = field(default_factory=dict)
    accelerometers: tuple[AccelerometerResult, ...] = ()
    speed_check: SpeedCheck | None = None
    criteria: tuple[Criterion, ...] = ()
    not_judged: tuple[NotJudged, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    decision: DecisionRule | None = None  # the rule of the verdicts
    processing: tuple[str, ...] = ()  # filters and moving means behind the figures, in words
    warnings: tuple[Diagnostic, ...] = ()
    budgets: tuple[Budget, ...] = ()
    article: ArticleResult | None = None
    events: tuple[EventResult, ...] = ()
    time_zero: TimeZeroResult | None = None  # what it rests on; None where it has no u
    motion: Mapping[str, Motion] = field(default_factory=dict)
    points: Mapping[str, Mapping[str, PointPath]] = field(default_factory=dict)
    tracks: Mapping[str, Tracks] = field(default_factory=dict)
    times: Mapping[str, Array] = field(default_factory=dict)  # camera: (frames,) s
    curves: tuple[Curve, ...] = ()
    force_crush: ForceCrush | None = None
    article_paths: Mapping[str, ArticlePath] = field(default_factory=dict)
    views: Mapping[str, View] = field(default_factory=dict)
    log: tuple[Entry, ...] = ()
