"""What a record says of one camera, as frozen values: film, lens, targets, picks, time."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BeforeValidator, model_validator

from calibration.board.dictionaries import DICTIONARIES
from tracker.core.units import brief
from tracker.record.types import (
    Distance,
    Frame,
    GroundLength,
    GroundPoint,
    Pattern,
    Pixel,
    Region,
    Side,
    Size,
    Table,
    Text,
    list_of_least,
    list_of_length,
    number,
    one_of,
    percent,
    quantity,
    refuse,
    safe_name,
    whole,
    within,
)

FLASH_LAG_U = 5e-5
"""s; of the time from contact to a lamp's light that no record states: a light-emitting diode or
xenon flash on a contact switch that closes within 1.5 mm at 30 m/s. Common practice, no source."""
FLASH_LATE = 2e-3
"""s; a lamp of which no record says how long after contact it shines may be late by as much
(ignition of bulbs, quick relays, contact strips that give). Common practice, no source."""

TargetName = Annotated[str, safe_name("a fixed target")]


class Surveyed(Table):
    """A target on the ground or background. Without `at` it serves the steadiness only."""

    at: GroundPoint | None = None
    frame: Frame = 0
    pattern: Pattern = "patch"
    size: Size | None = None


class FixedTarget(Surveyed):
    """A fixed target in the film: picked roughly, or to be found by the layout of all."""

    pixel: Pixel | None = None

    @model_validator(mode="after")
    def _require_pixel(self) -> FixedTarget:
        if self.pixel is None and (self.at is None or self.size is None or self.pattern == "patch"):
            refuse(
                "'pixel' is missing",
                "add it; only a target with `at`, `size` and a painted `pattern` is found without",
            )
        return self


class PlannedTarget(Surveyed):
    """A fixed target of a test to come: not filmed yet."""

    pixel: Pixel | None = None


class ScaleBar(Table):
    """A known length in the plane of motion; without a length, a line that is level or plumb."""

    pixels: Annotated[
        tuple[Pixel, Pixel], list_of_length(2, "its two ends, as [[300, 620], [700, 622]]")
    ]
    frame: Frame = 0
    length: Distance | None = None
    along: Annotated[Literal["x", "y", "z"], one_of("x", "y", "z")] | None = None
    depth: Distance | None = None
    on: Text | None = None
    plane: GroundLength | None = None


class StraightLine(Table):
    """Places on one line that is straight in the world, to try the lens."""

    pixels: Annotated[
        tuple[Pixel, ...], list_of_least(3, "places on it, as [[10, 20], [300, 22], ...]")
    ]
    frame: Frame = 0


class LaterPick(Table):
    """A rough hand pick of a marker in a later frame, where it comes into sight again."""

    pixel: Pixel
    frame: Frame


class Pick(Table):
    """A rough hand pick of a vehicle marker, and further ones, in the order of frames."""

    pixel: Pixel
    frame: Frame = 0
    more: tuple[LaterPick, ...] = ()


def _one_or_several(value: object) -> object:
    """Several picks, given as a list, as the first of them with the others."""
    if not isinstance(value, (list, tuple)):
        return value
    tables = [v for v in value if isinstance(v, dict)]
    frames = [v.get("frame", 0) for v in tables]
    whole = all(isinstance(f, int) for f in frames)
    if not tables or len(tables) < len(value) or not whole or len(set(frames)) < len(frames):
        refuse(
            f"{brief(value)} is no list of picks in frames of their own",
            "write [{ pixel = [402, 518], frame = 0 }, { pixel = [640, 500], frame = 230 }]",
        )
    first, *rest = sorted(tables, key=lambda table: table.get("frame", 0))
    return {**first, "more": rest}


class PlannedPick(Table):
    """Says before the test that a camera will see a vehicle marker."""

    pixel: Pixel | None = None
    frame: Frame = 0


class TimingLight(Table):
    """A light in the picture that blinks at a known rate."""

    region: Region
    rate: Annotated[float, quantity("rate", 1e-2, 1e6, "from 0.01 to 1e6 1/s")]
    duty: Annotated[float, within(0.01, 0.99, "a share of the period")] = 0.5


def _zero(value: object) -> object:
    if isinstance(value, str):
        if value in ("flash", "contact"):
            return value
        refuse(
            f"{brief(value)} is not a time zero",
            'write "flash", "contact" or a frame number without quotes',
        )
    zero = number(value)
    if not -1e9 <= zero <= 1e9:
        refuse(f"{brief(value)} is not a frame number", "check it")
    return zero


class CameraTime(Table):
    """Where a camera's time comes from; `flash_region` None means the whole picture. `gamma`: grey
    goes with light to this power, which matters to flash and timing light alone. `flash_lag`: from
    contact to the moment the lamp begins to shine.
    """

    zero: Annotated[Literal["flash", "contact"] | float, BeforeValidator(_zero)] = "contact"
    flash_region: Region | None = None
    timing_light: TimingLight | None = None
    gamma: Annotated[float, within(0.2, 1.5, "an exponent of grey over light")] = 1.0
    flash_lag: Annotated[float, quantity("time", 0, 0.1, "from 0 to 100 ms")] = 0.0
    flash_lag_u: Annotated[float, quantity("time", 0, 0.1, "from 0 to 100 ms")] = FLASH_LAG_U

    @property
    def flash_late(self) -> float:
        """By how much (s) the lamp may be late: nothing where the record says so itself."""
        return 0.0 if self.model_fields_set & {"flash_lag", "flash_lag_u"} else FLASH_LATE


def _matrix(value: object) -> object:
    rows = value if isinstance(value, (list, tuple)) else ()
    shape_ok = len(rows) == 3 and all(isinstance(r, (list, tuple)) and len(r) == 3 for r in rows)
    if not shape_ok:
        refuse(
            f"{brief(value)} is not a 3 by 3 matrix",
            "write it as [[fx, 0, cx], [0, fy, cy], [0, 0, 1]] in pixels",
        )
    m = [[number(x) for x in row] for row in rows]
    if m[0][0] <= 0 or m[1][1] <= 0 or m[0][1] or m[1][0] or m[2] != [0, 0, 1]:
        refuse(
            "this is not a camera matrix without skew",
            "write it as [[fx, 0, cx], [0, fy, cy], [0, 0, 1]] in pixels",
        )
    return tuple(tuple(row) for row in m)


def _distortion(value: object) -> object:
    if not isinstance(value, (list, tuple)) or len(value) not in (4, 5):
        refuse(
            f"{brief(value)} is not a list of 4 or 5 numbers",
            "write k1, k2, p1, p2, k3 in OpenCV's order",
        )
    return tuple([number(x) for x in value] + [0.0] * (5 - len(value)))


Row = tuple[float, float, float]
Corners = Annotated[int, whole(2, 200, "a number of inner corners")]
Discs = Annotated[int, whole(2, 200, "a number of discs")]


def _pixels(value: object) -> object:
    px = number(value)
    if not 0 <= px <= 100:
        refuse(f"{brief(value)} px is not plausible here", "check it; it should be from 0 to 100")
    return px


def _distortion_u(value: object) -> object:
    values = _distortion(value)
    if isinstance(values, tuple) and min(values) < 0:
        refuse(f"{brief(value)} has a negative uncertainty", "write standard uncertainties")
    return values


class LensUncertaintyEntry(Table):
    """Standard uncertainties of a lens given by numbers: of the focal length (relative), of each
    coordinate of the principal point (px), of k1, k2, p1, p2, k3.
    """

    focal: Annotated[float, percent(0, 0.2, "from 0 to 20 %")] | None = None
    centre: Annotated[float, BeforeValidator(_pixels)] | None = None
    distortion: (
        Annotated[tuple[float, float, float, float, float], BeforeValidator(_distortion_u)] | None
    ) = None


class LensEntry(Table):
    """A lens in one of three forms: numbers, pictures or a clip of a board, or a file of an
    earlier one. `marker` and `dictionary`: the board has markers in its light squares; `dots`: the
    board has discs instead.
    """

    camera_matrix: Annotated[tuple[Row, Row, Row], BeforeValidator(_matrix)] | None = None
    distortion: (
        Annotated[tuple[float, float, float, float, float], BeforeValidator(_distortion)] | None
    ) = None
    u: LensUncertaintyEntry | None = None
    chessboard: Text | None = None
    inner_corners: (
        Annotated[tuple[Corners, Corners], list_of_length(2, "columns and rows, as [9, 6]")] | None
    ) = None
    square: Annotated[float, quantity("length", 1e-4, 5, "from 0.1 mm to 5 m")] | None = None
    marker: Annotated[float, quantity("length", 1e-4, 5, "from 0.1 mm to 5 m")] | None = None
    dictionary: Annotated[str, one_of(*DICTIONARIES)] | None = None
    dots: Text | None = None
    grid: (
        Annotated[tuple[Discs, Discs], list_of_length(2, "discs in a row, rows: [12, 12]")] | None
    ) = None
    spacing: Annotated[float, quantity("length", 1e-4, 5, "from 0.1 mm to 5 m")] | None = None
    file: Text | None = None
    date: datetime.date | None = None  # of its calibration

    @property
    def board(self) -> str | None:
        """The pictures or the clip of a board that the lens comes from."""
        return self.chessboard or self.dots


class Edit(Table):
    """A person's place for a mark in a frame."""

    mark: Text
    frame: Frame
    pixel: Pixel


class RuledOut(Table):
    """Frames `first` to `last` (None: to the end) in which a mark is not to be used."""

    mark: Text
    first: Frame = 0
    last: Frame | None = None


class CameraFields(Table):
    """A camera: its place, what time it keeps. `aim` and `size` serve the plan before the test."""

    film: Text | None = None
    frame_rate: Annotated[float, quantity("rate", 1, 1e7, "from 1 to 1e7 1/s")] | None = None
    exposure: Annotated[float, quantity("time", 1e-9, 1, "from 1 ns to 1 s")] | None = None
    bits: Annotated[int, whole(8, 16, "a number of bits")] | None = None
    position: GroundPoint | None = None
    aim: GroundPoint | None = None
    size: (
        Annotated[tuple[Side, Side], list_of_length(2, "width and height, as [1280, 1024]")] | None
    ) = None
    lens: LensEntry | None = None
    scale: tuple[ScaleBar, ...] = ()
    straight: tuple[StraightLine, ...] = ()
    time: CameraTime = CameraTime()
    edits: tuple[Edit, ...] = ()
    ruled_out: tuple[RuledOut, ...] = ()


class CameraEntry(CameraFields):
    """A camera with its film and what was picked in it."""

    film: Text
    survey: Mapping[TargetName, FixedTarget] = {}
    picks: Mapping[str, Annotated[Pick, BeforeValidator(_one_or_several)]] = {}


class PlannedCamera(CameraFields):
    """A camera of a test to come."""

    survey: Mapping[TargetName, PlannedTarget] = {}
    picks: Mapping[str, PlannedPick] = {}
