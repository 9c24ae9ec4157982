"""Marked films: every frame with its marks, vehicle axes, time and running values."""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np

from tracker.core.types import Progress
from tracker.film import Film, Luma
from tracker.report.overlay import Image, Overlay, grey
from tracker.report.sequence import open_view_film
from tracker.results.schema import Results
from tracker.storage.hashing import content
from tracker.storage.inside import is_own_file
from tracker.storage.plain_files import copy_file

FrameVisitor = Callable[[str, int, Luma, int], None]

SHOWN_RATE = 25.0  # frames/s at which a marked film plays unless the record says how slow
MOST_RATE = 60.0  # frames/s that screens show: of a film played faster some frames are left out
KEY_INTERVAL = 50  # frames: how far a player must read to show any frame
QUALITY = "24"  # x264's constant rate factor; beyond 24 slow changes of light are lost


@dataclass(frozen=True)
class Pace:
    """How a film is played: every n-th frame, and how many of those a second."""

    rate: float
    step: int
    slow: float  # times slower than life; 0 where that is not known


def mark_films(
    results: Results,
    folder: Path,
    earlier: Path,
    progress: Progress,
    visit_frame: FrameVisitor | None = None,
    show_film: Callable[[str], None] | None = None,
) -> None:
    """Write films/<camera>.mp4 (H.264) for every camera whose film can be opened.

    A film is shown at `SHOWN_RATE`, or as many times slower than life as the record asks for.
    `visit_frame` gets every frame (camera, frame, luma, white) before it is drawn on. Where a
    film is not at hand, or all that would be drawn is the same, its marked film in `earlier`
    is kept. `show_film` gets "films/<camera>.mp4" as soon as that film is written.
    """
    folder.mkdir(exist_ok=True)

    def mark(camera: str) -> None:
        view, target = results.views[camera], folder / f"{camera}.mp4"
        film = open_view_film(view, camera)
        pace = None if film is None else playing_pace(film.rate, results.test.slow_motion)
        own = None if pace is None else _key(results, camera, pace)
        before = earlier / target.name
        if film is None or pace is None or (own is not None and own == _key_of(before)):
            if is_own_file(before):
                copy_file(before, target)
        else:
            overlay = Overlay(camera, results, view, pace.slow)
            _write(overlay, film, target, pace, progress, visit_frame, own)
        if show_film is not None and target.is_file():
            show_film(f"films/{target.name}")

    with ThreadPoolExecutor(max_workers=2) as pool:  # drawing and coding leave the interpreter
        list(pool.map(mark, results.views))


def playing_pace(rate: float, slow: float | None) -> Pace:
    """How a film of this frame rate (1/s; NaN: unknown) is played."""
    if not np.isfinite(rate):
        return Pace(SHOWN_RATE, 1, 0.0)
    if slow is None:
        return Pace(SHOWN_RATE, 1, rate / SHOWN_RATE if rate > SHOWN_RATE else 0.0)
    step = max(1, math.ceil(rate / slow / MOST_RATE - 1e-9))
    return Pace(rate / slow / step, step, slow)


def _key(results: Results, camera: str, pace: Pace) -> str | None:
    """Digest of all that is drawn and what it is drawn on; None where the film may change."""
    entry = results.cameras.get(camera)
    film = results.software.inputs.get(entry.film or "") if entry is not None else None
    if film is None:
        return None
    test, view = results.test, replace(results.views[camera], film="")
    marks = (results.tracks.get(camera), results.times.get(camera))
    shown = (results.motion, results.events)
    return content(film, camera, view, marks, shown, test.number, test.report_units, pace)


def _key_of(film: Path) -> str:
    """The digest that a marked film was written with; empty without one."""
    if not is_own_file(film):
        return ""
    try:
        with av.open(str(film)) as container:
            return container.metadata.get("comment", "")
    except (av.error.FFmpegError, OSError):
        return ""


def _write(
    overlay: Overlay,
    film: Film,
    target: Path,
    pace: Pace,
    progress: Progress,
    visit_frame: FrameVisitor | None,
    own: str | None,
) -> None:
    stage = f"marking {overlay.camera}"
    with av.open(str(target), "w", options={"movflags": "+faststart"}) as container:
        rate = Fraction(pace.rate).limit_denominator(1000)
        stream = container.add_stream("libx264", rate=rate)
        stream.options = {"crf": QUALITY, "preset": "ultrafast", "g": str(KEY_INTERVAL)}
        stream.pix_fmt = "yuv420p"
        if own is not None:
            container.metadata["comment"] = own
        started = False
        for index, luma in film.forward():
            if visit_frame is not None:
                visit_frame(overlay.camera, index, luma, film.white)
            if index % pace.step:
                continue
            picture = _crop_to_even(overlay.annotate_frame(index, grey(luma, film.white)))
            if not started:
                stream.height, stream.width = picture.shape[:2]
                started = True
            planes: Image = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2YUV_I420), np.uint8)
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            container.mux(stream.encode(frame))
            progress(stage, index + 1, film.frames)
        container.mux(stream.encode(None))


def _crop_to_even(picture: Image) -> Image:
    """Without the last row or column where there are an odd number, which H.264 can't hold."""
    height, width = picture.shape[:2]
    return np.ascontiguousarray(picture[: height & ~1, : width & ~1])
