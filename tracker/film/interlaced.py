"""Interlaced video: even and odd lines of a frame were exposed half a frame apart.

A vehicle in such a frame is a comb. The even lines are kept, the odd ones filled in between them,
so that each frame shows one moment; what the odd lines knew is given up.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from tracker.film.luma import Luma
from tracker.film.opened import Frames, Source
from tracker.values import Warning_

PLACES = 4  # of a film, tried
MOVED = 14.0  # grey levels of 8 bits by which a pixel changes where something moves
ENOUGH = 400  # such pixels in a pair of frames
COMB = 1.4  # neighbouring lines differ that much more than lines of the same field


@dataclass(frozen=True)
class EvenLines:
    """A source of frames with the odd lines filled in from the even ones."""

    source: Source

    @property
    def starts(self) -> tuple[int, ...]:
        """Frames at which reading can begin."""
        return self.source.starts

    def read(self, first: int) -> Frames:
        """Frames from `first` to the end, ascending."""
        for index, luma in self.source.read(first):
            yield index, even_lines(luma)


def even_lines(luma: Luma) -> Luma:
    """The frame (rows, columns) with each odd line the mean of its neighbours."""
    out = luma.copy()
    rows = len(luma)
    above, below = luma[0 : rows - 2 : 2], luma[2::2]
    count = min(len(above), len(below))
    middle = (above[:count].astype(np.uint32) + below[:count] + 1) // 2
    out[1 : 2 * count : 2] = middle.astype(luma.dtype)
    if rows % 2 == 0:
        out[-1] = luma[-2]
    return out


def is_combed(first: Luma, second: Luma) -> bool | None:
    """Whether what moves between two successive frames is a comb; None where too little moves."""
    a, b = first.astype(np.float32), second.astype(np.float32)
    moving = (np.abs(a - b) > MOVED)[1:-1]
    if moving.sum() < ENOUGH:
        return None
    between = np.abs(a[1:-1] - (a[:-2] + a[2:]) / 2)[moving].mean()
    within = np.abs(a[2:] - a[:-2])[moving].mean()
    return bool(between > COMB * within)


def seen_interlaced(source: Source) -> bool:
    """Whether most of the places tried in a film, where enough moves, show a comb."""
    starts = source.starts
    tried = sorted({starts[i * (len(starts) - 1) // max(PLACES - 1, 1)] for i in range(PLACES)})
    found = []
    for start in tried:
        pair = [luma.copy() for _, luma in itertools.islice(source.read(start), 2)]
        if len(pair) == 2 and pair[0].dtype == np.uint8 and pair[0].shape == pair[1].shape:
            combed = is_combed(*pair)
            found += [] if combed is None else [combed]
    return bool(found) and sum(found) > len(found) / 2


def said(where: str) -> Warning_:
    """The finding."""
    text = (
        "the film is interlaced: each frame shows two moments half a frame apart, so only its even "
        "lines were used and the others filled in; times are those of the even lines, which may "
        "be half a frame off the odd ones"
    )
    return Warning_("film_interlaced", text, where)
