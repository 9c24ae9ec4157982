"""Marks to print, true to scale, in tiles of A4 or Letter that are cut and put together.

Lengths here are mm on the paper. A mark is painted as the estimator's models have it: quadrant and
disc round, hourglass and cross square, ring with edges at 0.66 and 0.33 of its radius, a cross'
bars a fifth of its size wide.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Patch, Polygon, Rectangle, Wedge

from calibration.errors import RECORD, RecordError
from tracker.core.types import PATTERNS, SURVEY, MarkId
from tracker.planning.noise import RINGS
from tracker.record.schema import PlannedRecord
from tracker.report.style import style

Paper = Literal["a4", "letter"]
PAPERS: Mapping[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
INCH = 25.4
MARGIN = 15.0
"""Round the tile; printers leave about 5 free."""
STRIP = 22.0
"""Below the tile, for the ruler and what the sheet is."""
CROP = 6.0  # length of a crop mark
RULER = 100.0
HALF_ANGLE = 27.5
"""Of an hourglass' wedge, degrees."""
BAR = 0.2
"""Width of a cross' bar over its size."""
BLACK = "black"
PRINTABLE = tuple(pattern for pattern in PATTERNS if pattern != "patch")
SCALE, SCALE_MARK = 120.0, 50.0
"""Distance and size of the marks of the scale target."""
LARGEST_TILES = 60
"""Sheets a mark may take."""


@dataclass(frozen=True)
class Printed:
    """A mark to print: pattern, size (mm), and the names of the marks that need a copy."""

    pattern: str
    size: float
    names: tuple[str, ...]


def marks_to_print(record: PlannedRecord) -> tuple[Printed, ...]:
    """Every pattern and size of the record once. Raises Problem where there is none to print."""
    wanted: dict[tuple[str, float], list[str]] = {}
    for name, pattern, size in _marks(record):
        if pattern in PRINTABLE and size is not None:
            names = wanted.setdefault((pattern, round(1e3 * size, 2)), [])
            if name not in names:
                names.append(name)
    if not wanted:
        raise RecordError(
            "the record has no mark with a printable pattern and a size",
            where=str(record.path),
            remedy='give marks a pattern and a size, as pattern = "quadrant", size = "0.20 m"',
            status=RECORD,
        )
    return tuple(Printed(p, size, tuple(names)) for (p, size), names in wanted.items())


def _marks(record: PlannedRecord) -> Iterator[tuple[str, str, float | None]]:
    for vehicle, table in record.vehicles.items():
        for name, marker in table.markers.items():
            yield MarkId(vehicle, name), marker.pattern, marker.size
    for camera in record.cameras.values():
        for name, target in camera.survey.items():
            yield MarkId(SURVEY, name), target.pattern, target.size


def sheets_pdf(record: PlannedRecord, paper: Paper) -> bytes:
    """All sheets as one PDF. Raises Problem for a mark too large to be printed in tiles."""
    printed = marks_to_print(record)
    for mark in printed:
        columns, rows = tiling(mark.size, paper)
        if columns * rows > LARGEST_TILES:
            raise RecordError(
                f"{mark.names[0]} of {mark.size:g} mm would take {columns * rows} sheets",
                where=str(record.path),
                remedy="paint it instead, or leave its size out while printing the others",
                status=RECORD,
            )
    out = io.BytesIO()
    metadata = {"Title": f"Marks of test {record.test.number}", "CreationDate": None}
    with style(), PdfPages(out, metadata=metadata) as pages:
        for mark in printed:
            for figure in mark_sheets(mark, paper):
                pages.savefig(figure)
        pages.savefig(scale_sheet(paper))
    return out.getvalue()


def tile(paper: Paper) -> tuple[float, float, float, float]:
    """Left, bottom, width and height of the part of a sheet that carries the mark, mm."""
    width, height = PAPERS[paper]
    return MARGIN, MARGIN + STRIP, width - 2 * MARGIN, height - 2 * MARGIN - STRIP


def tiling(size: float, paper: Paper) -> tuple[int, int]:
    """Columns and rows of tiles that a mark of this size takes."""
    _, _, width, height = tile(paper)
    return int(np.ceil(size / width - 1e-9)), int(np.ceil(size / height - 1e-9))


def mark_sheets(mark: Printed, paper: Paper) -> Iterator[Figure]:
    """The sheets of one mark, row by row from its top left."""
    left, bottom, width, height = tile(paper)
    columns, rows = tiling(mark.size, paper)
    for row in range(rows):
        for column in range(columns):
            figure, axes = _sheet(paper)
            x = left + width * (columns / 2 - column)
            y = bottom + height - height * (rows / 2 - row)
            cut = Rectangle((left, bottom), width, height, transform=axes.transData)
            for patch in shapes(mark.pattern, mark.size, x, y):
                axes.add_patch(patch)
                patch.set_clip_path(cut)
            _crop_marks(axes, left, bottom, width, height)
            _ruler(axes, left)
            tiles = columns * rows
            place = f"sheet {row * columns + column + 1} of {tiles}" if tiles > 1 else "one sheet"
            if tiles > 1:
                place += f" (row {row + 1}, column {column + 1})"
            _caption(axes, left, mark, place)
            yield figure


def scale_sheet(paper: Paper) -> Figure:
    """A scale target: two marks whose centres are `SCALE` mm apart."""
    left, bottom, width, height = tile(paper)
    figure, axes = _sheet(paper)
    for side in (-0.5, 0.5):
        x, y = left + width / 2 + side * SCALE, bottom + height / 2
        for patch in shapes("quadrant", SCALE_MARK, x, y):
            axes.add_patch(patch)
    _crop_marks(axes, left, bottom, width, height)
    _ruler(axes, left)
    says = f"scale target: the centres are {SCALE:g} mm apart"
    axes.text(left, 10.5, says, fontsize=8, weight="bold", va="bottom")
    return figure


def shapes(pattern: str, size: float, x: float, y: float) -> list[Patch]:
    """What is black of a mark (mm) whose centre is at (x, y); y upwards."""
    r = size / 2
    ink: dict[str, Any] = {"fc": BLACK, "ec": "none", "lw": 0.0}
    outline: dict[str, Any] = {"fill": False, "ec": BLACK, "lw": 0.3}
    match pattern:
        case "disc":
            return [Circle((x, y), r, **ink)]
        case "ring":
            colours = (BLACK, "white", BLACK)
            return [
                Circle((x, y), r * share, fc=colour, ec="none")
                for share, colour in zip(RINGS, colours, strict=True)
            ]
        case "cross":
            b = BAR * size
            return [
                Rectangle((x - r, y - b / 2), size, b, **ink),
                Rectangle((x - b / 2, y - r), b, size, **ink),
            ]
        case "hourglass":
            reach = r * np.tan(np.radians(HALF_ANGLE))
            return [
                Polygon([(x, y), (x - reach, y + r), (x + reach, y + r)], **ink),
                Polygon([(x, y), (x - reach, y - r), (x + reach, y - r)], **ink),
                Rectangle((x - r, y - r), size, size, **outline),
            ]
        case _:
            return [
                Wedge((x, y), r, 0, 90, **ink),
                Wedge((x, y), r, 180, 270, **ink),
                Circle((x, y), r, **outline),
            ]


def _sheet(paper: Paper) -> tuple[Figure, Axes]:
    """A page whose data coordinates are mm from its bottom left."""
    width, height = PAPERS[paper]
    figure = Figure(figsize=(width / INCH, height / INCH))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(xlim=(0, width), ylim=(0, height))
    axes.set_axis_off()
    return figure, axes


def _crop_marks(axes: Axes, left: float, bottom: float, width: float, height: float) -> None:
    """Short lines outside the tile's corners along which it is cut."""
    for x, sx in ((left, -1), (left + width, 1)):
        for y, sy in ((bottom, -1), (bottom + height, 1)):
            for dx, dy in ((sx, 0), (0, sy)):
                axes.plot(
                    [x + 1.5 * dx, x + CROP * dx], [y + 1.5 * dy, y + CROP * dy],
                    color=BLACK, lw=0.4, solid_capstyle="butt",
                )  # fmt: skip


def _ruler(axes: Axes, left: float) -> None:
    """A ruler of 100 mm, to be measured after printing."""
    y = 17.0
    axes.add_patch(Rectangle((left, y), RULER, 3.0, fill=False, ec=BLACK, lw=0.3))
    for k in range(0, 10, 2):
        axes.add_patch(Rectangle((left + 10.0 * k, y), 10.0, 3.0, fc=BLACK, ec="none", lw=0.0))
    axes.text(
        left, y + 4.5, "Check: this bar is 100 mm long. Print at 100 %, not fitted to the page.",
        fontsize=7, va="bottom",
    )  # fmt: skip


def _caption(axes: Axes, left: float, mark: Printed, place: str) -> None:
    copies = len(mark.names)
    for_ = ", ".join(mark.names[:8]) + (f" and {copies - 8} more" if copies > 8 else "")
    times = f"{copies} copies" if copies > 1 else "1 copy"
    axes.text(
        left, 10.5, f"{mark.pattern} {mark.size:g} mm, {place}; {times}", fontsize=8, weight="bold",
        va="bottom",
    )  # fmt: skip
    axes.text(left, 6.5, for_, fontsize=7, va="bottom")
