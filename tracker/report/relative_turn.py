"""How one body is turned against another: a trailer against its tractor."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from calibration.arrays import Array
from tracker.core.units import report_unit
from tracker.report.style import LINES, curve, finish, panels
from tracker.results.schema import Results

TITLES = {
    "articulation": "turned against the vehicle that it hangs on, to the right +",
    "steer": "steering angle, to the right +",
    "turn": "turn about its axle, as pitch: rolling ahead it falls",
}


def relative_turns(results: Results) -> list[tuple[str, str, Figure, dict[str, Array]]]:
    """Name, caption, figure and data of each curve of a body's turn against another."""
    unit, factor = report_unit("angle", results.test.report_units)
    found = []
    for each in results.curves:
        title = TITLES.get(each.quantity)
        if title is None or not len(each.time):
            continue
        figure, (axes,) = panels(2.1)
        u = None if each.u is None else each.u * factor
        curve(axes, each.time, each.value * factor, u, LINES[0], each.quantity)
        finish(axes, f"{each.of}: {title}", unit)
        data = {"time_s": each.time, f"{each.quantity} ({unit})": each.value * factor}
        data[f"u ({unit})"] = np.zeros_like(each.time) if u is None else u
        caption = f"{each.of.capitalize()}: {title}, with 95 % bands."
        found.append((f"{each.of}-{each.quantity}", caption, figure, data))
    return found
