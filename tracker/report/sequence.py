"""Photographs of the test at its moments, taken from the films of all cameras."""

from __future__ import annotations

import shutil
from pathlib import Path

import cv2
import numpy as np

from calibration.problem import Problem
from tracker.film import Film, open_film
from tracker.report.blocks import Photographs
from tracker.report.moments import Moment, moments
from tracker.report.overlay import Picture, grey
from tracker.results import Results, View

WIDEST = 960  # px
QUALITY = 88  # of JPEG
IN_A_ROW = 3
IN_SUMMARY = 4

Shot = tuple[str, str]  # file in pictures/, label
Shots = dict[str, dict[str, Shot]]  # by camera, by moment


def take_photographs(results: Results, pictures: Path, earlier: Path) -> Shots:
    """Write a photograph a camera and moment into `pictures`.

    A film that can't be opened gives none; photographs that `earlier` holds are used instead.
    """
    shots: Shots = {}
    for camera, view in results.views.items():
        taken: dict[str, Shot] = {}
        film = _opened(view, camera)
        for moment in moments(results):
            name = f"{camera}-{moment.key}.jpg"
            frame = _frame(results, camera, moment)
            if frame is None:
                continue
            time = float(results.times[camera][frame])
            if film is not None and frame < film.frames:
                picture = _scaled(grey(film.frame(frame), film.white))
                cv2.imwrite(str(pictures / name), picture, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
            elif (earlier / name).is_file():
                shutil.copyfile(earlier / name, pictures / name)
            else:
                continue
            taken[moment.key] = (name, f"{camera}, {moment.label}, {_signed(time)} s")
        if taken:
            shots[camera] = taken
    return shots


def sequence(shots: Shots) -> Photographs | None:
    """All photographs: a row holds some moments of one camera, cameras below each other."""
    keys = list(dict.fromkeys(key for taken in shots.values() for key in taken))
    columns = IN_SUMMARY if len(keys) == IN_SUMMARY else IN_A_ROW
    rows = []
    for first in range(0, len(keys), columns):
        for taken in shots.values():
            row = tuple(taken[key] for key in keys[first : first + columns] if key in taken)
            if row:
                rows.append(row)
    caption = "Sequence: the cameras below each other at the same moments."
    return Photographs(caption, tuple(rows), columns) if rows else None


def summary(shots: Shots) -> Photographs | None:
    """Four photographs: of two cameras two moments each, of one camera four."""
    each = IN_SUMMARY // max(1, min(2, len(shots)))
    row: list[Shot] = []
    for taken in list(shots.values())[:2]:
        wanted = [key for key in PREFERRED if key in taken][:each]
        wanted += [key for key in taken if key not in wanted][: each - len(wanted)]
        row += [taken[key] for key in taken if key in wanted]
    return Photographs("The test in pictures.", (tuple(row),), IN_SUMMARY) if row else None


PREFERRED = ("contact", "greatest-crush", "occupant-impact", "greatest-pitch")


def _opened(view: View, camera: str) -> Film | None:
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


def _scaled(picture: Picture) -> Picture:
    height, width = picture.shape
    if width <= WIDEST:
        return picture
    size = (WIDEST, round(height * WIDEST / width))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _signed(time: float) -> str:
    return f"{time:+.3f}".replace("-", "−")
