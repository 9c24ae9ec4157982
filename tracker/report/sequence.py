"""Photographs of the test at its moments, taken from the films of all cameras."""

from __future__ import annotations

import contextlib
from pathlib import Path

import cv2
import numpy as np

from calibration.errors import Problem
from tracker.film import Film, Luma, open_film
from tracker.report.blocks import Photographs
from tracker.report.crops import add_caption, crops
from tracker.report.moments import Moment, moments
from tracker.report.options import REPORT
from tracker.report.overlay import grey
from tracker.results.schema import Results, View
from tracker.storage.inside import is_own_file
from tracker.storage.plain_files import copy_file

IN_A_ROW = 2  # pictures on a page's width: each is more than 3 in wide
IN_SUMMARY = 4

Shot = tuple[str, str]  # file in pictures/, label
Shots = dict[str, dict[str, Shot]]  # by camera, by moment


class Photographer:
    """Writes a photograph a camera and moment into the folder `pictures`."""

    def __init__(self, results: Results, pictures: Path) -> None:
        self.results = results
        self.pictures = pictures
        self._wanted = {camera: _wanted_times(results, camera) for camera in results.views}
        self._written: set[str] = set()

    def look(self, camera: str, frame: int, luma: Luma, white: int) -> None:
        """Take the photographs of this frame, if there are any."""
        wanted = self._wanted[camera].values()
        for name, label in [(name, label) for at, name, label in wanted if at == frame]:
            height, width = luma.shape
            frames = [at for at, _, _ in wanted]
            crop = crops(self.results, camera, frames, (width, height))[frame]
            text = f"{self.results.test.number}   {label}   frame {frame}"
            picture = add_caption(crop.of(grey(luma, white)), text)
            quality = [cv2.IMWRITE_JPEG_QUALITY, REPORT.quality]
            cv2.imwrite(str(self.pictures / name), picture, quality)
            self._written.add(name)

    def take(self) -> None:
        """Read the frames still wanted from the films; what can't be read gives no photograph."""
        for camera, view in self.results.views.items():
            wanted = self._wanted[camera].values()
            frames = {at for at, name, _ in wanted if name not in self._written}
            film = open_view_film(view, camera) if frames else None
            for frame in sorted(frames) if film is not None else ():
                assert film is not None
                with contextlib.suppress(Problem):
                    self.look(camera, frame, film.frame(frame), film.white)

    def shots(self, earlier: Path) -> Shots:
        """What was taken; what is missing is copied from `earlier`, if it is there."""
        shots: Shots = {}
        for camera, wanted in self._wanted.items():
            for key, (_, name, label) in wanted.items():
                if name not in self._written:
                    if not is_own_file(earlier / name):
                        continue
                    copy_file(earlier / name, self.pictures / name)
                shots.setdefault(camera, {})[key] = (name, label)
        return shots


def _wanted_times(results: Results, camera: str) -> dict[str, tuple[int, str, str]]:
    """By moment: frame, file and label of the photograph."""
    found = {}
    for moment in moments(results):
        frame = _frame(results, camera, moment)
        if frame is not None:
            time = _signed_text(float(results.times[camera][frame]))
            label = f"{camera}, {moment.label}, {time} s"
            found[moment.key] = (frame, f"{camera}-{moment.key}.jpg", label)
    return found


def sequence(shots: Shots) -> Photographs | None:
    """All photographs: two cameras side by side, else one camera after the other."""
    keys = list(dict.fromkeys(key for pictures in shots.values() for key in pictures))
    cameras = list(shots.values())
    if len(cameras) == IN_A_ROW:
        rows = [tuple(pictures[key] for pictures in cameras if key in pictures) for key in keys]
    else:
        every = [pictures[key] for pictures in cameras for key in keys if key in pictures]
        rows = [tuple(every[i : i + IN_A_ROW]) for i in range(0, len(every), IN_A_ROW)]
    caption = f"Sequence, at the film's own resolution. {CROPPED}"
    return Photographs(caption, tuple(rows), IN_A_ROW) if rows else None


def summary(shots: Shots) -> Photographs | None:
    """Four photographs: of two cameras two moments each, of one camera four."""
    each = IN_SUMMARY // max(1, min(2, len(shots)))
    row: list[Shot] = []
    for pictures in list(shots.values())[:2]:
        wanted = [key for key in PREFERRED if key in pictures][:each]
        others = [key for key in pictures if key not in wanted]
        wanted += _spread(others, each - len(wanted))
        row += [pictures[key] for key in pictures if key in wanted]
    rows = tuple(tuple(row[i : i + IN_A_ROW]) for i in range(0, len(row), IN_A_ROW))
    return Photographs(f"The test in pictures. {CROPPED}", rows, IN_A_ROW) if row else None


CROPPED = "Cropped to the vehicles; all of one camera are of one scale."
PREFERRED = ("contact", "greatest-crush", "occupant-impact", "greatest-pitch")


def _spread(keys: list[str], count: int) -> list[str]:
    """At most that many of the keys, the first and the last among them."""
    places = np.linspace(0, len(keys) - 1, min(count, len(keys)))
    return [keys[round(float(at))] for at in places]


def open_view_film(view: View, camera: str) -> Film | None:
    """The film of a view; None where it is not at hand or can't be read."""
    if not view.film:
        return None
    try:
        return open_film(view.film, frame_rate=view.frame_rate, bits=view.bits, where=camera)
    except Problem:
        return None


def _frame(results: Results, camera: str, moment: Moment) -> int | None:
    """The frame nearest to the moment; None where the film does not show it."""
    times = results.times.get(camera)
    if times is None or not np.isfinite(times).any():
        return None
    frame = int(np.nanargmin(np.abs(times - moment.time)))
    interval = float(np.nanmedian(np.diff(times))) if len(times) > 1 else 0.0
    return frame if abs(float(times[frame]) - moment.time) <= 2 * interval else None


def _signed_text(time: float) -> str:
    return f"{round(time, 3) + 0.0:+.3f}".replace("-", "−")
