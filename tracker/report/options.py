"""Numbers that steer the report: pictures, marked films and how much stands on a page."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option

LEGIBLE = "tried on screen and paper, no source"


@dataclass(frozen=True)
class ReportOptions:
    """What the report shows and how large."""

    criteria_rows: int = option(
        9, "1", (3, 30), "more criteria stand on the first page; preferred ones give way", LEGIBLE
    )
    margin_x: float = option(
        0.9, "m", (0.0, 5.0), "more is shown beside the marks of the vehicles", LEGIBLE
    )
    margin_y: float = option(
        0.7, "m", (0.0, 5.0), "more is shown above and below the marks of the vehicles", LEGIBLE
    )
    shape: float = option(2.65, "1", (1.0, 4.0), "photographs are wider for their height", LEGIBLE)
    narrowest: int = option(
        480, "px", (100, 2000), "photographs show more of the film around small vehicles", LEGIBLE
    )
    quality: int = option(90, "1", (50, 100), "photographs are truer and larger (JPEG)", LEGIBLE)
    enlarged: float = option(
        200.0, "1", (1.0, 1000.0), "ellipses of marks are drawn larger", LEGIBLE
    )
    open_middle: float = option(
        5.0, "px", (0.0, 30.0), "more of a mark's middle is left free by its cross", LEGIBLE
    )
    halved_rows: int = option(
        12, "1", (4, 100), "longer narrow tables stand in one column", LEGIBLE
    )
    caption_time: float = option(
        2.0, "s", (0.2, 10.0), "captions of events stay longer in a marked film as played", LEGIBLE
    )


REPORT = ReportOptions()
"""The values in use."""
