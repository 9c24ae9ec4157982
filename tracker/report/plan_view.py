"""Seen from above, to scale: outlines of the vehicles, the article before and at its greatest, the
exit box.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibration.arrays import Array
from tracker.core.types import STATE, Motion
from tracker.core.units import report_unit
from tracker.report.article_view import draw_article
from tracker.report.style import LINES, SOFT, WIDTH, panels
from tracker.results.after_contact import VehicleOutline
from tracker.results.schema import Results

PLAN_VIEW = "plan-view"
TALLEST = 6.5  # in
STRAIGHT_ON = "straight on, not seen"
BEYOND = 2.0  # of the vehicle's length: how far a path is drawn beyond what the films show
OUTLINES = 7  # of each vehicle, evenly over what the films show after contact
_X, _Y, _YAW = (STATE.index(name) for name in ("x_m", "y_m", "yaw_rad"))
_VX, _VY = (STATE.index(name) for name in ("vx_mps", "vy_mps"))


def plan_view(results: Results) -> tuple[str, str, Figure, dict[str, Array]] | None:
    """Name, caption, figure and data of the plan view; None of a test in which no vehicle with an
    outline and no article's mark is known.
    """
    outlines = {
        name: entry.outline
        for name, entry in results.vehicles.items()
        if entry.outline is not None and name in results.motion
    }
    if not outlines and not results.article_paths:
        return None
    unit, factor = report_unit("length", results.test.report_units)
    figure, (axes,) = panels(3.0)
    data: dict[str, list[float]] = {f"x ({unit})": [], f"y ({unit})": []}
    for (name, outline), line in zip(outlines.items(), LINES, strict=False):
        _vehicle(axes, results, name, outline, line.colour, factor)
        path = _known_path(results.motion[name])
        axes.plot(*(path[:, :2].T * factor), color=line.colour, linewidth=0.8, linestyle=":")
        _straight_on(axes, results, name, outline, line.colour, factor)
        data[f"x ({unit})"] += (path[:, 0] * factor).tolist()
        data[f"y ({unit})"] += (path[:, 1] * factor).tolist()
    if results.article is not None:
        draw_article(axes, results, results.article, factor)
    for entry in results.vehicles.values():
        box = None if entry.exit is None else entry.exit.exit_box
        if box is not None and box.corners:
            corners = np.array([*box.corners, box.corners[0]])
            axes.plot(*(corners.T * factor), color=SOFT, linestyle="--", label="exit box")
    axes.set_aspect("equal")
    axes.invert_yaxis()  # y to the right, seen from above
    axes.set_xlabel(f"x ({unit})")
    axes.set_ylabel(f"y, right + ({unit})")
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False)
    spans = [np.ptp(axes.get_xlim()), np.ptp(axes.get_ylim())]
    figure.set_size_inches(WIDTH, float(np.clip(1.4 + WIDTH * spans[1] / spans[0], 2.0, TALLEST)))
    caption = (
        "Seen from above, to scale: outlines of the vehicles from contact on at equal steps of "
        "time, paths of the cg dotted. The article undeformed (grey) and at the moment of its "
        "greatest deflection (red, straight between its marks); marks as squares at their own "
        "greatest, of parts that broke off as crosses where they were last seen. Where a vehicle "
        "still moves as the films end, a thin broken line goes straight on for two of its lengths: "
        "it is not seen, and nothing is judged by it."
    )
    return PLAN_VIEW, caption, figure, {k: np.array(v) for k, v in data.items()}


def _known_path(motion: Motion) -> Array:
    """x, y, yaw (n, 3) wherever they are determined."""
    columns = [_X, _Y, _YAW]
    return np.asarray(motion.state[motion.observed_mask[:, columns].all(axis=1)][:, columns])


def _straight_on(
    axes: Axes, results: Results, name: str, outline: VehicleOutline, colour: str, factor: float
) -> None:
    """Where a vehicle would go on from what the films last show, if it moves then."""
    motion, entry = results.motion[name], results.vehicles[name]
    columns = [_X, _Y, _VX, _VY]
    known = np.flatnonzero(motion.observed_mask[:, columns].all(axis=1))
    if entry.rest is not False or not len(known):
        return
    place, velocity = np.split(motion.state[known[-1], columns], 2)
    speed = float(np.hypot(*velocity))
    if speed > 0:
        end = place + BEYOND * outline.length * velocity / speed
        line = np.stack([place, end]) * factor
        axes.plot(*line.T, color=colour, linewidth=0.5, linestyle=(0, (6, 4)), label=STRAIGHT_ON)


def _vehicle(
    axes: Axes,
    results: Results,
    name: str,
    outline: VehicleOutline,
    colour: str,
    factor: float,
) -> None:
    motion = results.motion[name]
    seen = motion.observed_mask[:, [_X, _Y, _YAW]].all(axis=1) & np.isfinite(motion.state[:, _X])
    rows = np.flatnonzero(seen & (motion.time >= 0))
    if not len(rows):
        return
    for k, row in enumerate(np.unique(np.linspace(rows[0], rows[-1], OUTLINES).astype(int))):
        corners = outline_corners(outline, motion.state[row, [_X, _Y, _YAW]])
        label = name if k == 0 else None
        axes.plot(*(corners.T * factor), color=colour, linewidth=0.9, label=label)
        middle = corners[:4].mean(axis=0) * factor
        text = f"{motion.time[row]:.2f} s"
        axes.annotate(text, middle, ha="center", va="center", fontsize=5.5, color=colour)


def outline_corners(outline: VehicleOutline, place: Array) -> Array:
    """Corners (5, 2) of a vehicle at x, y of its cg and yaw, ground axes, closed."""
    half, rear = outline.width / 2, outline.front - outline.length
    own = np.array([[outline.front, -half], [outline.front, half], [rear, half], [rear, -half]])
    own = own - np.array(outline.cg[:2])
    c, s = np.cos(place[2]), np.sin(place[2])
    turned = own @ np.array([[c, s], [-s, c]]) + place[:2]
    return np.vstack([turned, turned[:1]])
