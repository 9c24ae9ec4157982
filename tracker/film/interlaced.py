"""Interlaced video: even and odd lines of a frame were exposed half a frame apart.

A vehicle in such a frame is a comb. The even lines are kept, the odd ones filled in between them,
so that each frame shows one moment; what the odd lines knew is given up.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.film.findings import FaultLog
from tracker.film.luma import Luma
from tracker.film.opened import Frames, FrameSource
from tracker.film.options import FILM

INTERLACED_ROWS = (480, 486, 576, 1080)
"""Heights of interlaced video: ITU-R BT.601 and BT.709. Films of other heights aren't tested."""


@dataclass(frozen=True)
class EvenLines:
    """A source of frames with the odd lines filled in from the even ones."""

    source: FrameSource

    @property
    def faults(self) -> FaultLog:
        """What was met while reading."""
        return self.source.faults

    @property
    def starts(self) -> Sequence[int]:
        """Frames at which reading can begin."""
        return self.source.starts

    def read(self, first: int) -> Frames:
        """Frames from `first` to the end, ascending."""
        for index, luma in self.source.read(first):
            yield index, fill_odd_lines(luma)


def fill_odd_lines(luma: Luma) -> Luma:
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
    moving = (np.abs(a - b) > FILM.moving_grey)[1:-1]
    between = _block_sums(np.where(moving, np.abs(a[1:-1] - (a[:-2] + a[2:]) / 2), 0))
    within = _block_sums(np.where(moving, np.abs(a[2:] - a[:-2]), 0))
    count = _block_sums(moving)
    judged_mask = count >= FILM.comb_filled * FILM.comb_block**2
    if judged_mask.sum() < FILM.comb_blocks:
        return None
    combed = (between > FILM.comb_ratio * within) & (between > FILM.comb_grey * count)
    return bool(combed[judged_mask].mean() > FILM.comb_share)


def _block_sums(values: Array) -> Array:
    """Sums over square blocks of the picture."""
    block = FILM.comb_block
    rows, columns = (n // block for n in values.shape)
    whole = values[: rows * block, : columns * block].astype(np.float64)
    return np.asarray(whole.reshape(rows, block, columns, block).sum(axis=(1, 3)))


def is_interlaced(source: FrameSource) -> bool:
    """Whether most of the places tried in a film, where enough moves, show a comb."""
    starts, places = source.starts, FILM.interlaced_places
    tried = sorted({starts[i * (len(starts) - 1) // max(places - 1, 1)] for i in range(places)})
    found: list[bool] = []
    for start in tried:
        some = [
            luma.copy() for _, luma in itertools.islice(source.read(start), FILM.interlaced_frames)
        ]
        for pair in zip(some[::4], some[1::4], strict=False):
            if pair[0].dtype == np.uint8 and pair[0].shape == pair[1].shape:
                combed = is_combed(*pair)
                found += [] if combed is None else [combed]
    return bool(found) and sum(found) > len(found) / 2


def interlaced_diagnostic(where: str) -> Diagnostic:
    """That the film is interlaced, and what was done about it."""
    text = (
        "the film is interlaced: each frame shows two moments half a frame apart, so only its even "
        "lines were used and the others filled in; times are those of the even lines, which may "
        "be half a frame off the odd ones"
    )
    return Diagnostic("film_interlaced", text, where)
