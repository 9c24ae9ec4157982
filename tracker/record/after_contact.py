"""What a record says of the time after contact: the article, events, places of rest."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import model_validator

from tracker.record.types import (
    BodyPoint,
    GroundLength,
    GroundPoint,
    Pattern,
    Size,
    SurveyU,
    Table,
    Text,
    list_of_length,
    one_of,
    quantity,
    refuse,
    safe_name,
    within,
)

Angle = Annotated[float, quantity("angle", -6.2832, 6.2832, "from -360 to 360 deg")]
AngleU = Annotated[float, quantity("angle", 0, 1.5708, "from 0 to 90 deg")]
TimeU = Annotated[float, quantity("time", 0, 10, "from 0 to 10 s")]
EventTime = Annotated[
    float, quantity("time", -60, 3600, "from 60 s before contact to an hour after")
]
Extent = Annotated[float, quantity("length", 0.1, 50, "from 10 cm to 50 m")]


class Event(Table):
    """A line of the sequence of events. `sets` makes it the loss of contact of `vehicle` (by
    default the striking one) instead of what the program finds, with its `u`.
    """

    time: EventTime
    text: Text
    sets: Annotated[Literal["exit"], one_of("exit")] | None = None
    vehicle: Text | None = None
    u: TimeU = 0.0


class Outline(Table):
    """A vehicle's outline seen from above and its height; `front` is the x of its foremost place
    in vehicle axes.
    """

    length: Extent
    width: Extent
    front: Annotated[float, quantity("length", -50, 50, "within 50 m of the vehicle's origin")]
    height: Extent | None = None


class Joint(Table):
    """Where a vehicle hangs on another: the joint in that one's axes and in its own."""

    to: Text
    at: BodyPoint
    own: BodyPoint = (0.0, 0.0, 0.0)
    u: SurveyU = 0.005


class Wheel(Table):
    """Makes a table of marks a wheel of another vehicle: its hub in that one's axes. Its markers
    are given from the hub.
    """

    of: Text
    hub: BodyPoint


class Rest(Table):
    """Where a vehicle stood in the end: its cg, ground axes, and its heading from the tape, or
    `picks` of its markers in a later photograph by `camera`, which has not been moved.
    """

    at: (
        Annotated[
            tuple[GroundLength, GroundLength], list_of_length(2, 'x and y, as ["31 m", "-2 m"]')
        ]
        | None
    ) = None
    u: SurveyU = 0.02
    heading: Angle | None = None
    heading_u: AngleU = 0.0175
    camera: Text | None = None
    picks: Mapping[str, tuple[float, float]] = {}
    pick_u: Annotated[float, within(0.01, 100, "a number of px")] = 1.0

    @model_validator(mode="after")
    def _require_one_source(self) -> Rest:
        photographed = self.camera is not None and len(self.picks) >= 2
        if (self.at is None) != photographed or (self.camera is None) != (not self.picks):
            refuse(
                "a place of rest is either `at` or picks in a photograph",
                "write `at`, or `camera` with two or more `picks`",
            )
        return self


class ArticleMarker(Table):
    """A painted target on the article, ground axes, before the test."""

    at: GroundPoint
    u: SurveyU | None = None
    pattern: Pattern = "patch"
    size: Size | None = None
    detached_at: EventTime | None = None  # from then on what bears it is no part of the article
    rise_u: Annotated[float, quantity("length", 1e-4, 10, "from 0.1 mm to 10 m")] | None = None


ArticleMarkerName = Annotated[str, safe_name("a marker")]


class Article(Table):
    """The test article: rail, post, cushion or barrier. Its marks move each by itself.

    A `kind` of "pole" is struck head-on: it has no face along the path, and what its marks move is
    measured along ground x.
    """

    kind: Annotated[Literal["rail", "pole"], one_of("rail", "pole")] = "rail"
    width: Annotated[float, quantity("length", 1e-3, 20, "from 1 mm to 20 m")] | None = None
    traffic_face: GroundLength | None = None
    heading: Angle = 0.0
    side: Annotated[Literal["right", "left"], one_of("right", "left")] | None = None
    length_of_need_begin: GroundLength | None = None
    length_of_need_end: GroundLength | None = None
    markers: Mapping[ArticleMarkerName, ArticleMarker] = {}

    @model_validator(mode="after")
    def _require_order(self) -> Article:
        if self.kind == "pole" and self.traffic_face is not None:
            refuse("a pole has no traffic face", 'take out `traffic_face`, or `kind = "pole"`')
        begin, end = self.length_of_need_begin, self.length_of_need_end
        if begin is not None and end is not None and end <= begin:
            refuse("the length of need ends before it begins", "exchange the two")
        return self
