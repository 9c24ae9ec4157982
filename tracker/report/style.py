"""The one style of all plots: quiet, legible in black and white, the same on every machine."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from calibration.arrays import Array

INK, SOFT, RULE = "#20252b", "#5d6670", "#d5d9dd"
WIDTH = 6.9  # in: the text width of a page
NARROW = 3.4  # in: half of it
LEFT, RIGHT, TOP, BOTTOM = 0.64, 0.12, 0.3, 0.42  # in: margins of a plot, so that axes line up
GAP, LINE, LABEL = 0.34, 0.17, 0.5  # in: between axes; a line of text; from axes to their unit
MARKS_ON_A_LINE = 12
COVERAGE = 1.959964  # factor of a 95 % band of a normal distribution


@dataclass(frozen=True)
class Line:
    """How a curve is drawn: distinguished by dashes, marker and lightness, not by colour alone."""

    colour: str
    dashes: str | tuple[float, tuple[float, ...]]
    marker: str
    width: float = 1.3


LINES = (
    Line("#14506b", "-", "o"),
    Line("#c2701c", (0, (5, 2)), "s"),
    Line("#7d2f3f", (0, (1.2, 1.4)), "^", 1.6),
    Line("#6f8f4e", (0, (6, 2, 1.2, 2)), "D"),
)
SOURCES = {
    "film": LINES[0],
    "accelerometer": LINES[1],
    "fused": LINES[3],
    "difference": LINES[2],
}

SETTINGS: Any = {  # matplotlib types every key by itself
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.titlesize": 8.5,
    "axes.labelsize": 8.0,
    "axes.labelcolor": INK,
    "axes.edgecolor": SOFT,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "axes.formatter.limits": (-5, 6),
    "axes.formatter.useoffset": False,
    "grid.color": RULE,
    "grid.linewidth": 0.5,
    "text.color": INK,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "legend.frameon": False,
    "legend.fontsize": 7.5,
    "legend.handlelength": 3.2,
    "figure.facecolor": "white",
    "svg.hashsalt": "impactfilm",  # the same plot gives the same bytes
    "svg.fonttype": "path",
    "savefig.dpi": 150,
}
_ONE_AT_A_TIME = threading.Lock()  # matplotlib's settings are shared by all threads


@contextmanager
def style() -> Iterator[None]:
    """Draw and save plots within this block."""
    with _ONE_AT_A_TIME, mpl.rc_context(SETTINGS):
        yield


def panels(
    height: float,
    shares: tuple[float, ...] = (1.0,),
    width: float = WIDTH,
    left: float = LEFT,
) -> tuple[Figure, list[Axes]]:
    """A new figure of this size (in) and axes above each other in it, with one time axis.

    `shares` are their heights in proportion; `left` is the margin for their labels (in).
    """
    figure = Figure(figsize=(width, height))
    top = TOP if width == WIDTH else TOP + LINE
    inside = height - top - BOTTOM - GAP * (len(shares) - 1)
    figure.subplots_adjust(
        left=left / width,
        right=1 - RIGHT / width,
        top=1 - top / height,
        bottom=BOTTOM / height,
        hspace=GAP / (inside / len(shares)),
    )
    rows = figure.subplots(
        len(shares), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": shares}
    )
    return figure, list(rows[:, 0])


def curve(axes: Axes, time: Array, value: Array, u: Array | None, line: Line, label: str) -> None:
    """A line with its 95 % band."""
    if u is not None and np.isfinite(u).any() and np.isfinite(value).any():
        # a band that widens without end where the films lose the vehicle would flatten the line
        reach = max(0.5 * (np.nanmax(value) - np.nanmin(value)), 2.5 * float(np.nanmedian(u)))
        low, high = np.nanmin(value) - reach, np.nanmax(value) + reach
        axes.fill_between(
            time,
            np.maximum(value - COVERAGE * u, low),
            np.minimum(value + COVERAGE * u, high),
            color=line.colour,
            alpha=0.22,
            linewidth=0,
        )
    axes.plot(
        time,
        value,
        color=line.colour,
        linestyle=line.dashes,
        linewidth=line.width,
        marker=line.marker,
        markersize=3.2,
        markerfacecolor="white",
        markeredgewidth=0.8,
        markevery=max(1, len(time) // MARKS_ON_A_LINE),
        label=label,
    )


def finish(axes: Axes, title: str, unit: str, last: bool = True) -> None:
    """Time zero, title, unit and legend; the lowest axes (`last`) name the time."""
    axes.axvline(0.0, color=SOFT, linewidth=0.8, linestyle=(0, (2, 2)), zorder=1)
    axes.set_ylabel(unit)
    axes.set_xlabel("time after first contact (s)" if last else "")
    axes.margins(x=0.01)
    axes.yaxis.set_label_coords(-LABEL / _inches(axes), 0.5)
    _, labels = axes.get_legend_handles_labels()
    wide = _inches(axes) > NARROW
    axes.xaxis.set_major_locator(MaxNLocator(10 if wide else 5, steps=[1, 2, 5, 10]))
    pad = 4.0
    if any(labels) and wide:
        axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=3)
    elif any(labels):
        axes.legend(loc="lower left", bbox_to_anchor=(-0.02, 0.98), ncols=3)
        pad += 72 * LINE
    axes.set_title(title, loc="left", pad=pad)


def _inches(axes: Axes) -> float:
    """Width of the axes."""
    return float(axes.get_position().width) * float(axes.get_figure(root=True).get_figwidth())  # type: ignore[union-attr]
