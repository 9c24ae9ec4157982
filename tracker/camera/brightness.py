"""Mean grey of picture regions, frame by frame, gathered while a film is read for other reasons."""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np

from calibration.arrays import Array
from calibration.image_motion.stabilise import Stabilisation
from tracker.camera.options import CAMERA
from tracker.film import Film, Luma

Region = tuple[int, int, int, int]
"""u, v of its corner, width, height, px."""


def light_table(white: int, gamma: float) -> Array:
    """The light (white + 1,) of each grey level, in grey levels, of a camera that makes grey of
    light by this exponent.
    """
    return np.asarray(white * (np.arange(white + 1) / white) ** (1 / gamma))


class Brightness:
    """Mean grey of named regions of the frames that are read; None is the whole picture. With
    `light` (levels,) the mean of what that makes of the grey levels.
    """

    def __init__(
        self, frames: int, regions: Mapping[str, Region | None], light: Array | None = None
    ) -> None:
        self._regions, self._light = dict(regions), light
        self.means = {name: np.full(frames, np.nan) for name in regions}
        """(frames,) grey of each region; NaN for frames not met."""

    def add_frame(self, index: int, luma: Luma) -> None:
        """Take the regions' means of one frame."""
        for name, region in self._regions.items():
            part = _part(luma, region)
            self.means[name][index] = (part if self._light is None else self._light[part]).mean()


def _part(luma: Luma, region: Region | None) -> Luma:
    if region is not None:
        u, v, width, height = region
        luma = luma[v : v + height, u : u + width]
    return luma if luma.size < CAMERA.region_pixels else luma[::2, ::2]


def stabilised_brightness(
    film: Film,
    regions: Mapping[str, Region | None],
    stabilisation: Stabilisation,
    light: Array | None = None,
) -> dict[str, Array]:
    """Mean grey (frames,) of regions that move with the picture, to a fraction of a pixel; NaN for
    frames that can't be read. In a film with weave, edges would otherwise move in and out of them.
    `light` as of `Brightness`.
    """
    means = {name: np.full(film.frames, np.nan) for name in regions}
    for index, luma in film.forward():
        for name, region in regions.items():
            if region is None:
                part = _part(luma, None)
                means[name][index] = (part if light is None else light[part]).mean()
                continue
            u, v, width, height = region
            middle = np.array([[u + (width - 1) / 2, v + (height - 1) / 2]])
            at = stabilisation.picture_pixels(np.array([index]), middle)[0]
            around = _region_at(luma, at, (width, height), light)
            means[name][index] = cv2.mean(around)[0]
    return means


def _region_at(luma: Luma, at: Array, size: tuple[int, int], light: Array | None) -> Array:
    """The part of a picture of this size round a place, between pixels by straight lines."""
    left, top = np.floor(at - np.array(size) / 2).astype(int) - 1
    right, bottom = np.ceil(at + np.array(size) / 2).astype(int) + 2
    left, top = max(left, 0), max(top, 0)
    part = luma[top:bottom, left:right]
    grey = (part if light is None else light[part]).astype(np.float32)
    u, v = (at - [left, top]).tolist()
    return np.asarray(cv2.getRectSubPix(grey, size, (u, v)))
