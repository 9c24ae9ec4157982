"""Mean grey of picture regions, frame by frame, gathered while a film is read for other reasons."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tracker.film import Luma

Region = tuple[int, int, int, int]
"""u, v of its corner, width, height, px."""
ENOUGH = 40_000
"""Pixels that are plenty for a mean; of larger regions every second row and column is taken."""


class Brightness:
    """Mean grey of named regions of the frames that pass by; None is the whole picture."""

    def __init__(self, frames: int, regions: Mapping[str, Region | None]) -> None:
        self._regions = dict(regions)
        self.means = {name: np.full(frames, np.nan) for name in regions}
        """(frames,) grey of each region; NaN for frames not met."""

    def look(self, index: int, luma: Luma) -> None:
        """Note the regions' means of one frame."""
        for name, region in self._regions.items():
            self.means[name][index] = _part(luma, region).mean()


def _part(luma: Luma, region: Region | None) -> Luma:
    if region is not None:
        u, v, width, height = region
        luma = luma[v : v + height, u : u + width]
    return luma if luma.size < ENOUGH else luma[::2, ::2]
