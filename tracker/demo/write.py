"""Writes the demonstration test's folder: films, accelerometer file, record, and the truth."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from threading import Lock

import av
import numpy as np
from numpy.typing import NDArray

from tracker.core.types import STATE, Progress
from tracker.demo.options import DRAWING
from tracker.demo.render import Painter
from tracker.demo.scenario import Scenario
from tracker.demo.scene import Scene, make_scene
from tracker.demo.sensors import sensor_recording
from tracker.demo.toml import record_text
from tracker.demo.tracks import TrueTracks, true_tracks
from tracker.demo.truth import DemoTruth, headline
from tracker.storage.plain_files import write_text


def write_demo(
    folder: Path | str,
    progress: Progress | None = None,
    *,
    seed: int | None = None,
    scenario: Scenario | None = None,
) -> DemoTruth:
    """Write a whole demonstration test into a folder (made if absent) and give its truth.

    Parameters
    ----------
    progress : called with (stage, frames done, frames in all) for each film.
    seed : of all random errors; default: the scenario's.
    scenario : what happens and how it is filmed; default: the demonstration's own.
    """
    scenario = scenario or Scenario()
    scenario = scenario if seed is None else replace(scenario, seed=seed)
    folder = Path(folder)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    scene = make_scene(scenario)
    reporter = ProgressReporter(progress)

    def film(name: str) -> tuple[TrueTracks, list[int], list[int]]:
        painter = Painter(scene, name)
        frames = reporter.each(f"drawing {name}", painter.frames(), scenario.frames)
        write_movie(folder / f"{name}.mp4", frames, scenario.frame_rate, scenario.crf)
        regions = list(painter.flash_region()), list(painter.light_region())
        return true_tracks(scene, name), *regions

    # The drawing, the blur and the coder all work outside the interpreter's lock.
    with ThreadPoolExecutor(max_workers=2) as pool:
        made = dict(zip(scenario.views, pool.map(film, scenario.views), strict=True))
    tracks = {name: track for name, (track, _, _) in made.items()}
    flash = {name: region for name, (_, region, _) in made.items() if scenario.flash}
    lights = {name: region for name, (_, _, region) in made.items() if scenario.timing_light}
    _write_accelerometer(folder / "car-accelerometer.csv", scene)
    text = record_text(scene, tracks, flash, lights)
    write_text(folder / "record.toml", text)
    return _write_truth(folder, scene, tracks)


def write_movie(
    path: Path, frames: Iterable[NDArray[np.uint8]], frame_rate: float, crf: int = 19
) -> None:
    """Write grey frames (height, width) as an H.264 movie whose luma is the grey value."""
    with av.open(str(path), "w") as container:
        rate = Fraction(frame_rate).limit_denominator(1000)
        stream = container.add_stream("libx264", rate=rate)
        # "grain" keeps what moves in place; without it small marks are shifted by some 0.05 px.
        stream.options = {
            "crf": str(crf),
            "preset": "superfast",
            "tune": "grain",
            "g": str(DRAWING.key_interval),
        }
        stream.pix_fmt = "yuv420p"
        context = stream.codec_context
        context.color_range, context.thread_count = 2, 1  # full range
        for index, grey in enumerate(frames):
            if index == 0:
                stream.height, stream.width = grey.shape
                neutral = np.full((grey.shape[0] // 2, grey.shape[1]), 128, dtype=np.uint8)
            planes = np.concatenate([grey, neutral])
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            frame.pts, frame.time_base, frame.color_range = index, 1 / rate, 2
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


class ProgressReporter:
    """Hands progress on from several threads, one call at a time."""

    def __init__(self, progress: Progress | None) -> None:
        self.progress, self.lock = progress, Lock()

    def each(
        self, stage: str, frames: Iterable[NDArray[np.uint8]], total: int
    ) -> Iterable[NDArray[np.uint8]]:
        """The frames, each reported as it goes by."""
        for done, frame in enumerate(frames, start=1):
            yield frame
            if self.progress:
                with self.lock:
                    self.progress(stage, done, total)


def _write_accelerometer(path: Path, scene: Scene) -> None:
    time, acceleration, rates = sensor_recording(scene)
    table = np.column_stack([time, acceleration, np.degrees(rates)])
    header = "time,ax,ay,az,roll_rate,pitch_rate,yaw_rate"
    np.savetxt(path, table, fmt=["%.4f"] + ["%.4f"] * 6, delimiter=",", header=header, comments="")


def _write_truth(folder: Path, scene: Scene, tracks: dict[str, TrueTracks]) -> DemoTruth:
    values = headline(scene)
    place = folder / "truth"
    write_text(place / "truth.json", json.dumps(values, indent=1))
    time = next(iter(tracks.values())).time
    for vehicle in ("car", "truck"):
        table = np.column_stack([time, scene.history.state(vehicle, time)])
        np.savetxt(
            place / f"motion-{vehicle}.csv",
            table,
            fmt="%.9g",
            delimiter=",",
            header=",".join(("time_s", *STATE)),
            comments="",
        )
    for name, track in tracks.items():
        with io.StringIO() as file:
            rows = csv.writer(file)
            rows.writerow(["frame", "time_s", "mark", "u_px", "v_px", "visible"])
            sighted = [k for k, mark in enumerate(track.marks) if mark in set(track.sighted_marks)]
            names = list(track.marks)
            for i, t in enumerate(track.time):
                for k in sighted:
                    u, v = track.pixels[i, k]
                    visible = int(track.visible_mask[i, k])
                    rows.writerow([i, f"{t:.7f}", names[k], f"{u:.5f}", f"{v:.5f}", visible])
            write_text(place / f"tracks-{name}.csv", file.getvalue())
    return DemoTruth(folder, values)
