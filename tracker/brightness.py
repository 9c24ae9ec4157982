"""Mean grey of picture regions, frame by frame, gathered while a film is read for other reasons."""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np

from calibration.camera import Array
from calibration.steadiness import Steadiness
from tracker.film import Film, Luma

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


def steadied(
    film: Film, regions: Mapping[str, Region | None], steady: Steadiness
) -> dict[str, Array]:
    """Mean grey (frames,) of regions that move with the picture, to a fraction of a pixel; NaN for
    frames that can't be read. In a woven film edges would else walk in and out of them.
    """
    means = {name: np.full(film.frames, np.nan) for name in regions}
    for index, luma in film.forward():
        for name, region in regions.items():
            if region is None:
                means[name][index] = _part(luma, None).mean()
                continue
            u, v, width, height = region
            middle = np.array([[u + (width - 1) / 2, v + (height - 1) / 2]])
            at = steady.seen(np.array([index]), middle)[0]
            around = _around(luma, at, (width, height))
            means[name][index] = cv2.mean(around)[0]
    return means


def _around(luma: Luma, at: Array, size: tuple[int, int]) -> Array:
    """The part of a picture of this size round a place, between pixels by straight lines."""
    left, top = np.floor(at - np.array(size) / 2).astype(int) - 1
    right, bottom = np.ceil(at + np.array(size) / 2).astype(int) + 2
    left, top = max(left, 0), max(top, 0)
    part = luma[top:bottom, left:right].astype(np.float32)
    u, v = (at - [left, top]).tolist()
    return np.asarray(cv2.getRectSubPix(part, size, (u, v)))
