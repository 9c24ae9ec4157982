"""The one style of all plots: quiet, legible in black and white, the same on every machine."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

INK, SOFT, RULE = "#20252b", "#5d6670", "#d5d9dd"
WIDTH = 6.9  # in: the text width of a page
LEFT, RIGHT, TOP, BOTTOM = 0.62, 0.12, 0.3, 0.42  # in: margins of a plot, so that axes line up
COVERAGE = 1.959964  # factor of a 95 % band of a normal distribution


@dataclass(frozen=True)
class Line:
    """How a curve looks: told apart by dashes, marker and lightness, not by colour alone."""

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
SOURCES = {"film": LINES[0], "accelerometer": LINES[1], "fused": LINES[2]}

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
    height: float, shares: tuple[float, ...] = (1.0,), left: float = LEFT
) -> tuple[Figure, list[Axes]]:
    """A new figure and axes above each other in it, of this height (in), with one time axis.

    `shares` are their heights in proportion; `left` is the margin for their labels (in).
    """
    figure = Figure(figsize=(WIDTH, height))
    figure.subplots_adjust(
        left=left / WIDTH,
        right=1 - RIGHT / WIDTH,
        top=1 - TOP / height,
        bottom=BOTTOM / height,
        hspace=0.6 / height * len(shares),
    )
    rows = figure.subplots(
        len(shares), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": shares}
    )
    return figure, list(rows[:, 0])


def zero_line(axes: Axes) -> None:
    """Mark time zero."""
    axes.axvline(0.0, color=SOFT, linewidth=0.8, linestyle=(0, (2, 2)), zorder=1)
