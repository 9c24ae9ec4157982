"""What of a camera's picture a photograph shows: the vehicles, in the film's own resolution."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.arrays import Array
from tracker.report.options import REPORT
from tracker.report.overlay import FONT, WHITE, Image
from tracker.results.schema import Results

LETTER = 1100.0  # px of width for letters of full size
LINE = 34.0  # px of height at that width


@dataclass(frozen=True)
class Crop:
    """A part of a picture: its upper left corner and its size, px."""

    left: int
    top: int
    width: int
    height: int

    def of(self, picture: Image) -> Image:
        """The part of a picture (height, width)."""
        rows = slice(self.top, self.top + self.height)
        return picture[rows, self.left : self.left + self.width]


def crops(
    results: Results, camera: str, frames: Sequence[int], size: tuple[int, int]
) -> Mapping[int, Crop]:
    """A crop of each frame, all of one size: around the vehicles' marks and points that show.

    Of a frame that shows none, and of a film without marks, it is the whole picture.
    """
    boxes = {frame: _box(results, camera, frame, size) for frame in frames}
    known = [box for box in boxes.values() if box is not None]
    if not known:
        return dict.fromkeys(frames, Crop(0, 0, *size))
    width = max(box[1, 0] - box[0, 0] for box in known)
    height = max(box[1, 1] - box[0, 1] for box in known)
    width = max(width, REPORT.shape * height, REPORT.narrowest)
    width = min(int(width), size[0])
    height = min(int(max(width / REPORT.shape, height, 1)), size[1])
    middle = np.mean([box.mean(0) for box in known], axis=0)
    return {
        frame: _place_crop(middle if box is None else box.mean(0), (width, height), size)
        for frame, box in boxes.items()
    }


def _place_crop(middle: Array, extent: tuple[int, int], size: tuple[int, int]) -> Crop:
    """The crop of this extent about a middle, moved so that it lies in the picture."""
    left, top = (
        int(np.clip(round(float(m) - e / 2), 0, s - e))
        for m, e, s in zip(middle, extent, size, strict=True)
    )
    return Crop(left, top, *extent)


def _box(results: Results, camera: str, frame: int, size: tuple[int, int]) -> Array | None:
    """Corners (2, 2) of what shows of the vehicles, with room around; None where nothing does."""
    places = _places(results, camera, frame)
    inside = np.isfinite(places).all(axis=1)
    inside &= ((places >= 0) & (places <= np.array(size))).all(axis=1)
    if not inside.any():
        return None
    room = np.array([REPORT.margin_x, REPORT.margin_y]) / _metres_a_pixel(results, camera, size)
    low, high = places[inside].min(0) - room, places[inside].max(0) + room
    return np.array([np.clip(low, 0, size), np.clip(high, 0, size)])


def _places(results: Results, camera: str, frame: int) -> Array:
    """Pixels (n, 2) of the vehicles' marks and points in a frame."""
    found = [np.zeros((0, 2))]
    tracks = results.tracks.get(camera)
    if tracks is not None and frame < len(tracks.position):
        which = [
            i
            for i, mark in enumerate(tracks.marks)
            if not mark.is_fixed and tracks.measured_mask[frame, i]
        ]
        found.append(tracks.position[frame, which])
    view, times = results.views.get(camera), results.times.get(camera)
    if view is not None and view.camera is not None and times is not None and frame < len(times):
        for paths in results.points.values():
            for path in paths.values():
                at = int(np.argmin(np.abs(path.time - times[frame]))) if len(path.time) else -1
                if at >= 0 and np.isfinite(path.position[at]).all():
                    found.append(view.camera.project(path.position[at : at + 1]))
    return np.vstack(found)


def _metres_a_pixel(results: Results, camera: str, size: tuple[int, int]) -> float:
    entry = results.cameras.get(camera)
    known = None if entry is None or entry.calibration is None else entry.calibration.scale
    return known or 10.0 / size[0]


def add_caption(picture: Image, text: str) -> Image:
    """The picture with a line of text burnt in below it: what it shows travels with it."""
    width = picture.shape[1]
    share = width / LETTER
    strip = np.zeros((max(14, round(LINE * share)), width), dtype=np.uint8)
    plain = text.replace("\u2212", "-").encode("ascii", "replace").decode()
    base = (round(10 * share), round(0.72 * len(strip)))
    thick = max(1, round(1.4 * share))
    cv2.putText(strip, plain, base, FONT, 0.85 * share, WHITE, thick, cv2.LINE_AA)
    return np.vstack([picture, strip])
