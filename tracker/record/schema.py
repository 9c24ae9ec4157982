"""The test record as frozen values: attribute names are the record's keys, numbers are SI.

Ground and vehicle axes, pixels and frames are as in `tracker.core.types`. A quantity that the
record leaves out and that has no default is None.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from tracker.core.types import MarkId, Quantity
from tracker.core.units import UnitError, brief, si_factor
from tracker.record.after_contact import Article, ArticleMarker, Event, Joint, Outline, Rest, Wheel
from tracker.record.camera import CameraEntry, PlannedCamera
from tracker.record.report_fields import ReportEntry
from tracker.record.types import (
    BodyPoint,
    GroundPoint,
    Pattern,
    Size,
    Speed,
    SurveyU,
    Table,
    Text,
    choose,
    list_of_least,
    list_of_length,
    number,
    one_of,
    percent,
    quantity,
    refuse,
    safe_name,
    unit_text,
    within,
)

CRITERIA = (
    *("nchrp230", "nchrp350", "mash2009", "mash2016"),
    *("en1317", "en1317-1998", "en1317-2010", "none"),
)
DEVICES = ("breakaway", "work-zone", "other")
DECISIONS = ("guarded", "simple")
MASS_U = 0.0025
"""Standard uncertainty of a stated mass, share. Common practice, no source: wheel weighers."""
SCALE_U = 2e-4
"""Of a tape or an instrument; common practice: a steel tape of class II may err by 0.02 %
of its length (OIML R 35, from memory)."""
DATUM_U = 8.7e-4
"""rad, 0.05 deg: 9 mm in 10 m; common practice, no source."""
AXES_U = 1.75e-3
"""rad, 0.1 deg: 5 mm in 3 m; common practice, no source."""
CG_U = 5e-3
"""m, of each coordinate of a stated cg; common practice, no source."""

ACCELERATIONS = ("ax", "ay", "az")
ANGULAR_RATES = ("roll_rate", "pitch_rate", "yaw_rate")
CHANNELS = dict.fromkeys(ACCELERATIONS, "acceleration") | dict.fromkeys(
    ANGULAR_RATES, "angular_rate"
)


def _schema(value: object) -> int:
    if value != 1 or isinstance(value, bool):
        refuse(f"schema {brief(value)} can't be read by this version", "write schema = 1")
    return 1


class Intended(Table):
    """The impact conditions of the test plan."""

    speed: Speed | None = None
    angle: Annotated[float, quantity("angle", -3.1416, 3.1416, "from -180 to 180 deg")] | None = (
        None
    )
    offset: Annotated[float, quantity("length", -100, 100, "within 100 m")] | None = None


class SpeedTrap(Table):
    """An independent measurement of the impact speed."""

    speed: Speed
    u: Annotated[float, quantity("speed", 1e-6, 10, "above 0 and at most 10 m/s")]


def _criteria(value: str) -> str:
    return value if value.endswith(".toml") else choose(value, CRITERIA)


Moment = Annotated[float, quantity("time", -60, 600, "from 60 s before contact to 600 s after")]
SlowMotion = Annotated[float, within(1, 1e6, "how many times slower than life a film plays")]
MarkerName = Annotated[str, safe_name("a marker")]
PointName = Annotated[str, safe_name("a point")]
VehicleName = Annotated[str, safe_name("a vehicle")]
CameraName = Annotated[str, safe_name("a camera")]
ChannelName = Annotated[str, one_of(*CHANNELS)]


class Conditions(Table):
    """What was tested, by which plan, and how the report shows it."""

    number: Text
    title: Text | None = None
    date: datetime.date | None = None
    criteria: Annotated[Text, AfterValidator(_criteria)] = "none"  # a set's name or a .toml path
    device: Annotated[Literal["breakaway", "work-zone", "other"], one_of(*DEVICES)] = "other"
    decision: Annotated[Literal["guarded", "simple"], one_of(*DECISIONS)] = "guarded"
    report_units: Annotated[Literal["us", "si"], one_of("us", "si")] = "si"
    intended: Intended = Intended()
    speed_trap: SpeedTrap | None = None
    photographs: Annotated[
        tuple[Moment, ...], list_of_least(1, 'times with their units, as ["0 ms", "50 ms"]')
    ] = ()
    slow_motion: SlowMotion | None = None
    events: tuple[Event, ...] = ()
    report: ReportEntry = ReportEntry()


class Marker(Table):
    """A painted target on a vehicle, in vehicle axes.

    `u` is the standard uncertainty of each of its coordinates; None: that of the survey. A mark
    that is not `rigid` may move against its vehicle from contact on.
    """

    at: BodyPoint | None = None
    u: Annotated[float, quantity("length", 1e-5, 1, "from 0.01 mm to 1 m")] | None = None
    rigid: bool = True
    pattern: Pattern = "patch"
    size: Size | None = None


class Vehicle(Table):
    """A rigid body to follow. Without `cg`, its position is that of the vehicle axes' origin.
    `cg_uncertainty` is `cg_u` or the default.

    `at_contact`, where the origin of its axes is planned to be at time zero, serves the plan.
    """

    role: Annotated[
        Literal["striking", "struck", "other"], one_of("striking", "struck", "other")
    ] = "other"
    mass: Annotated[float, quantity("mass", 1e-6, 2e5, "above 0 and at most 200 t")] | None = None
    mass_u: Annotated[float, quantity("mass", 0, 1e4, "from 0 to 10 t")] | None = None
    cg: BodyPoint = (0.0, 0.0, 0.0)
    cg_u: SurveyU | None = None
    axes_u: Annotated[float, quantity("angle", 0, 0.1, "from 0 to 5.7 deg")] = AXES_U
    flail: (
        Annotated[
            tuple[
                Annotated[float, quantity("length", 1e-3, 5, "from 1 mm to 5 m")],
                Annotated[float, quantity("length", 1e-3, 5, "from 1 mm to 5 m")],
            ],
            list_of_length(2, 'the longitudinal and the lateral distance, as ["0.6 m", "0.3 m"]'),
        ]
        | None
    ) = None
    markers: Mapping[MarkerName, Marker] = {}
    points: Mapping[PointName, BodyPoint] = {}
    at_contact: GroundPoint | None = None
    kind: Annotated[Literal["car", "pickup", "truck"], one_of("car", "pickup", "truck")] | None = (
        None
    )
    outline: Outline | None = None
    wheels: tuple[Text, ...] = ()  # names of `points` where the wheels touch the ground
    rest: Rest | None = None
    joint: Joint | None = None
    wheel: Wheel | None = None

    @property
    def known_mass(self) -> Quantity | None:
        """Its mass with its standard uncertainty, kg; None where the record states none."""
        if self.mass is None:
            return None
        return Quantity(self.mass, "kg", MASS_U * self.mass if self.mass_u is None else self.mass_u)

    @property
    def cg_uncertainty(self) -> float:
        """Of each coordinate of the cg, m; 0 where none is stated: then the origin is meant."""
        if self.cg_u is not None:
            return self.cg_u
        return CG_U if any(self.cg) else 0.0


class Survey(Table):
    """Standard uncertainty of each surveyed coordinate, m; of what all of them share: the scale
    (relative) and the direction of ground x (rad).
    """

    ground_u: SurveyU = 0.002
    marker_u: SurveyU = 0.001
    instrument: Text | None = None  # what it was measured with, for the report
    scale_u: Annotated[float, percent(0, 0.05, "from 0 to 5 %")] = SCALE_U
    datum_u: Annotated[float, quantity("angle", 0, 0.1, "from 0 to 5.7 deg")] = DATUM_U


class Cushion(Table):
    """The crush cushion between the striking and the struck vehicle.

    `front_crush` is how much of the closing the striking vehicle's own front took.
    """

    length: Annotated[float, quantity("length", 0.01, 50, "from 1 cm to 50 m")]
    front_crush: Annotated[float, quantity("length", 0, 5, "from 0 to 5 m")] = 0.0
    length_u: Annotated[float, quantity("length", 0, 1, "from 0 to 1 m")] = 0.005
    front_crush_u: Annotated[float, quantity("length", 0, 1, "from 0 to 1 m")] = 0.02


class TimeColumn(Table):
    """The time of an accelerometer file."""

    column: Text
    unit: Annotated[Text, unit_text("time")]

    @property
    def si(self) -> float:
        """Seconds in one of the column's units."""
        return si_factor(self.unit, "time")


def _polarity(value: object) -> int:
    if number(value) not in (1, -1):
        refuse(f"{brief(value)} is not a polarity", "write 1, or -1 for a reversed channel")
    return int(number(value))


class Channel(Table):
    """A channel: CSV column or ISO/TS 13499 channel name, unit, and -1 if it reads backwards.

    `file` is that of this channel alone; None: that of the sensor block.
    """

    column: Text
    file: Text | None = None
    unit: Annotated[Text, unit_text("acceleration", "angular_rate")] | None = None
    polarity: Annotated[int, BeforeValidator(_polarity)] = 1

    @property
    def kind(self) -> str | None:
        """The kind of its unit: acceleration or angular_rate; None without a unit."""
        if self.unit is None:
            return None
        try:
            si_factor(self.unit, "acceleration")
        except UnitError:
            return "angular_rate"
        return "acceleration"

    @property
    def si(self) -> float | None:
        """m/s^2 or rad/s in one of the column's units, without the polarity; None without unit."""
        return None if self.unit is None else si_factor(self.unit, str(self.kind))


class AccelerometerEntry(Table):
    """A sensor on a vehicle, in vehicle axes. `time` and units are None for ISO/TS 13499.

    `name`: by default its number in the record, from 1. `primary`: its figures judge the vehicle;
    by default the block nearest to the cg. `file` is None where every channel has its own.
    """

    vehicle: Text
    at: BodyPoint
    name: Text | None = None
    primary: bool = False
    file: Text | None = None
    time: TimeColumn | None = None
    channels: Mapping[ChannelName, Channel] = Field(min_length=1)
    full_scale: (
        Annotated[float, quantity("acceleration", 1, 1e6, "from 0.1 to 100,000 g_0")] | None
    ) = None

    @property
    def files(self) -> tuple[str, ...]:
        """Every file that it reads, each once."""
        each = (channel.file or self.file for channel in self.channels.values())
        return tuple(dict.fromkeys(file for file in each if file is not None))


class Common(Table):
    """What a record file holds besides its cameras."""

    schema_: Annotated[int, Field(alias="schema"), BeforeValidator(_schema)]
    test: Conditions
    vehicles: Mapping[VehicleName, Vehicle] = Field(min_length=1)
    survey: Survey = Survey()
    cushion: Cushion | None = None
    accelerometers: tuple[AccelerometerEntry, ...] = ()
    article: Article | None = None

    def marker(self, name: MarkId) -> Marker | ArticleMarker:
        """The marker of a vehicle or of the article. Raises KeyError where there is none."""
        if name.is_free and self.article is not None:
            return self.article.markers[name.marker]
        return self.vehicles[name.vehicle].markers[name.marker]


class Tables(Common):
    """Everything that a record file holds."""

    cameras: Mapping[CameraName, CameraEntry] = {}  # one at least, unless there are accelerometers


class PlannedTables(Common):
    """Everything that a record file holds before the test."""

    cameras: Mapping[CameraName, PlannedCamera] = Field(min_length=1)


class Record(Tables):
    """A test record and where it lies. Paths in it are relative to `folder`."""

    path: Path
    folder: Path

    def place(self, name: str) -> str:
        """Where a file that the record names lies: an absolute path, or the URL itself."""
        return name if "://" in name else str((self.folder / name).absolute())


class PlannedRecord(PlannedTables):
    """A test record before the test, and where it lies."""

    path: Path
    folder: Path
