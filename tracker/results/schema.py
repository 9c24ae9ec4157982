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
    asi: Quantity | None = None  # 1
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
    stopping: Stopping | None = None
    velocity_change: Quantity | None = None  # m/s, along ground x, while in contact
    velocity_change_resultant: Quantity | None = None  # m/s, horizontal, while in contact
    principal_direction: Quantity | None = None  # rad, of the force on it, in its axes at time zero
    contact_end: Quantity | None = None  # s
    occupant: Occupant = field(default_factory=Occupant)


@dataclass(frozen=True)
class CrushResult:
    """Greatest closing of striking and struck vehicle along ground x."""

    max_dynamic: Quantity | None  # m
    at: float | None  # s
    kind: Literal["crush", "closing"] = "crush"  # closing: not head-on, so that not all is crush


@dataclass(frozen=True)
class Momentum:
    """Momentum along ground x, N s: before = striking_after + struck_after + tyres + residual."""

    before: Quantity
    striking_after: Quantity
    struck_after: Quantity
    tyres: Quantity  # given to the ground
    residual: Quantity  # what the film and the stated masses leave unexplained


@dataclass(frozen=True)
class Energy:
    """Kinetic energy along ground x, J: before = striking_after + struck_after + tyres + absorbed.

    `crushing` is the same energy by another way: force times closing, rebound included.
    """

    before: Quantity
    striking_after: Quantity
    struck_after: Quantity
    tyres: Quantity  # work done on the ground
    absorbed: Quantity  # taken by the cushion and the striking vehicle's front
    crushing: Quantity
    residual: Quantity  # absorbed less crushing


@dataclass(frozen=True)
class Mechanics:
    """What the two vehicles did to each other along ground x. See `tracker.mechanics`."""

    striking: str
    struck: str
    at: float  # s, of the balances: contact had ended, or else the film did
    contact_ended: bool
    closing_speed: Quantity  # m/s, at time zero
    friction: Quantity  # 1, of the struck vehicle's tyres
    friction_source: Literal["roll-ahead", "assumed"]
    momentum: Momentum
    energy: Energy
    greatest_closing: Quantity  # m
    energy_to_greatest: Quantity  # J, taken up to the greatest closing
    returned: Quantity  # J, given back after it
    mean_force: Quantity  # N, energy_to_greatest over greatest_closing
    peak_force: Quantity  # N
    peak_at: float  # m of closing
    restitution: Quantity | None = None  # 1; None while the vehicles still touch
    cushion_length: float | None = None  # m, as the record states it
    front_crush: float = 0.0  # m of the closing that the striking vehicle's front took
    stroke_used: Quantity | None = None  # 1, share of the cushion's length
    stopping: Quantity | None = None  # m, way of the struck vehicle to rest; None in contact


@dataclass(frozen=True)
class ForceCrush:
    """Force between the vehicles against their closing since time zero, up to the greatest."""

    closing: Array  # (n,) m, equal steps from 0
    force: Array  # (n,) N
    force_u: Array  # (n,)
    energy: Array  # (n,) J, taken so far
    energy_u: Array  # (n,)
    draws: Array  # (m, n) N: forces that it may have been, errors common to all closings included


@dataclass(frozen=True)
class SpragueGeersResult:
    """Metrics of two time histories (Sprague and Geers), 1."""

    magnitude: float | None
    phase: float | None
    comprehensive: float | None


@dataclass(frozen=True)
class VelocityComparison:
    """The accelerometers' velocity against the film's."""

    rms: float | None  # m/s
    max: float | None  # m/s
    sprague_geers: SpragueGeersResult | None = None
    iso18571: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class ChannelFinding:
    """Something wrong with an accelerometer channel."""

    channel: str
    kind: Literal["scale", "offset", "polarity", "saturation", "time_shift", "dropout", "axis_swap"]
    estimate: float | None
    u: float | None
    unit: str
    text: str


@dataclass(frozen=True)
class ChannelAgreement:
    """A channel beside what the film says it should have read; both integrated from time zero."""

    verdict: Literal["agree", "disagree", "undetermined"]
    text: str
    unit: str  # of the integral: m/s, or rad for a rate
    rms: float | None = None
    max: float | None = None
    displacement_rms: float | None = None  # m, or rad s: integrated twice
    displacement_max: float | None = None
    final: Quantity | None = None  # channel less film at the end; u: film and sound channel
    sprague_geers: SpragueGeersResult | None = None
    residual_mean: float | None = None  # share of the film's largest
    residual_sd: float | None = None
    w179: bool | None = None  # accepted by NCHRP Web-Only Document 179
    iso18571: float | None = None


@dataclass(frozen=True)
class CrossCheckResult:
    """Whether a vehicle's accelerometers can be believed."""

    verdict: Literal["agree", "disagree", "undetermined"]
    velocity: VelocityComparison | None = None
    findings: tuple[ChannelFinding, ...] = ()
    channels: Mapping[str, ChannelAgreement] = field(default_factory=dict)


@dataclass(frozen=True)
class AccelerometerResult:
    """One sensor block: what is wrong with it, and its own figures."""

    name: str
    vehicle: str
    primary: bool  # its figures are `occupant.accelerometer` of the vehicle
    faults: tuple[ChannelFinding, ...] = ()
    occupant: OccupantResult | None = None


@dataclass(frozen=True)
class SpeedCheck:
    """The film's impact speed beside an independent measurement."""

    film: Quantity
    speed_trap: Quantity
    agrees: bool


@dataclass(frozen=True)
class Criterion:
    """One requirement of the criteria set. `value`, `limit` and `u` are in `unit`."""

    name: str
    value: float | None
    limit: float | None
    unit: str
    verdict: Literal["pass", "fail", "undetermined"]
    source: str
    u: float | None = None
    note: str = ""
    kind: Literal["criterion", "test_condition"] = "criterion"  # test_condition: how it was run
    governs: bool = False  # the required criterion with the least margin to its limit

    @property
    def margin(self) -> float | None:
        """What is left to the limit, as a share of it; None without a value."""
        if self.value is None or not self.limit:
            return None
        return 1.0 - abs(self.value / self.limit)

    @property
    def preferred(self) -> bool:
        """Whether the limit is one to be aimed at: missed, it fails no test."""
        return "(preferred)" in self.name or self.note.startswith("preferred")


@dataclass(frozen=True)
class NotJudged:
    """What the standard asks for and this analysis does not judge."""

    name: str
    why: str


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
    warnings: tuple[Diagnostic, ...] = ()
    budgets: tuple[Budget, ...] = ()
    motion: Mapping[str, Motion] = field(default_factory=dict)
    points: Mapping[str, Mapping[str, PointPath]] = field(default_factory=dict)
    tracks: Mapping[str, Tracks] = field(default_factory=dict)
    times: Mapping[str, Array] = field(default_factory=dict)  # camera: (frames,) s
    curves: tuple[Curve, ...] = ()
    force_crush: ForceCrush | None = None
    views: Mapping[str, View] = field(default_factory=dict)
    log: tuple[Entry, ...] = ()
