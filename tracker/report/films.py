"""Marked films: every frame with its marks, vehicle axes, time and running values."""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np

from calibration.problem import Problem
from tracker.film import Film, open_film
from tracker.report.overlay import Overlay, Picture, grey
from tracker.results import Results, View
from tracker.values import Progress

SHOWN_RATE = 25.0  # frames/s at which a marked film plays
KEY_INTERVAL = 50  # frames: how far a player must read to show any frame
QUALITY = "23"  # x264's constant rate factor


def mark_films(
    results: Results, folder: Path, earlier: Path, progress: Progress, rate: float = SHOWN_RATE
) -> None:
    """Write films/<camera>.mp4 (H.264) for every camera whose film can be opened.

    `rate` is the frames shown a second: a film of 1000 frames/s shown at 25 is 40 times slower
    than life. Where the film is not at hand, its marked film in `earlier` is kept.
    """
    folder.mkdir(exist_ok=True)

    def mark(camera: str) -> None:
        view, target = results.views[camera], folder / f"{camera}.mp4"
        film = _opened(view, camera)
        if film is not None:
            _write(Overlay(camera, results, view, _slow(film, rate)), film, target, rate, progress)
        elif (earlier / target.name).is_file():
            shutil.copyfile(earlier / target.name, target)

    with ThreadPoolExecutor(max_workers=2) as pool:  # drawing and coding leave the interpreter
        list(pool.map(mark, results.views))


def _opened(view: View, camera: str) -> Film | None:
    try:
        return open_film(view.film, frame_rate=view.frame_rate, bits=view.bits, where=camera)
    except Problem:
        return None


def _slow(film: Film, rate: float) -> float:
    return film.rate / rate if np.isfinite(film.rate) and film.rate > rate else 0.0


def _write(overlay: Overlay, film: Film, target: Path, rate: float, progress: Progress) -> None:
    stage = f"marking {overlay.camera}"
    with av.open(str(target), "w", options={"movflags": "+faststart"}) as container:
        stream = container.add_stream("libx264", rate=Fraction(rate).limit_denominator(1000))
        stream.options = {"crf": QUALITY, "preset": "ultrafast", "g": str(KEY_INTERVAL)}
        stream.pix_fmt = "yuv420p"
        started = False
        for index, luma in film.forward():
            picture = _even(overlay.drawn(index, grey(luma, film.white)))
            if not started:
                stream.height, stream.width = picture.shape[:2]
                started = True
            planes: Picture = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2YUV_I420), np.uint8)
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            container.mux(stream.encode(frame))
            progress(stage, index + 1, film.frames)
        container.mux(stream.encode(None))


def _even(picture: Picture) -> Picture:
    """Without the last row or column where there are an odd number, which H.264 can't hold."""
    height, width = picture.shape[:2]
    return np.ascontiguousarray(picture[: height & ~1, : width & ~1])
