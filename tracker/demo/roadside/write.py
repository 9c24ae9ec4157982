"""Writes a roadside demonstration's folder: films, record, and the truth."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from tracker.core.types import STATE, Progress
from tracker.demo.render import Painter
from tracker.demo.roadside.pole_record import pole_record, pole_truth
from tracker.demo.roadside.pole_scene import CAR, PoleScene, make_pole
from tracker.demo.roadside.record import REST, roadside_record
from tracker.demo.roadside.scenario import (
    ARTICLE,
    BREAKS,
    FACE,
    VEHICLE,
    WIDTH,
    PoleScenario,
    RoadsideScenario,
)
from tracker.demo.roadside.scene import RoadsideScene, make_roadside
from tracker.demo.roadside.truth import motion_truth
from tracker.demo.tracks import TrueTracks, true_tracks
from tracker.demo.truth import DemoTruth
from tracker.demo.write import ProgressReporter, write_movie
from tracker.storage.plain_files import write_text


def write_roadside(
    folder: Path | str,
    progress: Progress | None = None,
    *,
    seed: int | None = None,
    scenario: RoadsideScenario | None = None,
) -> DemoTruth:
    """Write a pickup's test against a rail into a folder (made if absent) and give its truth.

    `seed` is that of all random errors; `progress` is called with (stage, frames done, frames).
    """
    scenario = scenario or RoadsideScenario()
    scene = make_roadside(scenario if seed is None else replace(scenario, seed=seed))
    tracks = _films(Path(folder), scene, progress)
    text, values = roadside_record(scene, tracks), roadside_truth(scene)
    return _write_test(Path(folder), scene, VEHICLE, text, values)


def write_pole(
    folder: Path | str,
    progress: Progress | None = None,
    *,
    seed: int | None = None,
    scenario: PoleScenario | None = None,
) -> DemoTruth:
    """Write a small car's test against a breakaway pole, as `write_roadside` does a pickup's."""
    scenario = scenario or PoleScenario()
    scene = make_pole(scenario if seed is None else replace(scenario, seed=seed))
    tracks = _films(Path(folder), scene, progress)
    text, values = pole_record(scene, tracks), pole_truth(scene)
    return _write_test(Path(folder), scene, CAR, text, values)


def _films(
    folder: Path, scene: RoadsideScene | PoleScene, progress: Progress | None
) -> dict[str, TrueTracks]:
    """Draw every camera's film; where the marks truly are in it."""
    folder.mkdir(parents=True, exist_ok=True)
    scenario, reporter = scene.scenario, ProgressReporter(progress)

    def film(name: str) -> TrueTracks:
        frames = Painter(scene, name).frames()
        shown = reporter.each(f"drawing {name}", frames, scenario.frames)
        write_movie(folder / f"{name}.mp4", shown, scenario.frame_rate, scenario.crf)
        return true_tracks(scene, name)

    with ThreadPoolExecutor(max_workers=2) as pool:
        return dict(zip(scenario.views, pool.map(film, scenario.views), strict=True))


def _write_test(
    folder: Path,
    scene: RoadsideScene | PoleScene,
    vehicle: str,
    record: str,
    values: dict[str, Any],
) -> DemoTruth:
    place = folder / "truth"
    place.mkdir(parents=True, exist_ok=True)
    write_text(folder / "record.toml", record)
    write_text(place / "truth.json", json.dumps(values, indent=1))
    time = scene.scenario.frame_times(next(iter(scene.scenario.views)))
    table = np.column_stack([time, scene.motion.state(time)])
    header = ",".join(("time_s", *STATE))
    np.savetxt(
        place / f"motion-{vehicle}.csv", table, "%.9g", delimiter=",", header=header, comments=""
    )
    return DemoTruth(folder, values)


def roadside_truth(scene: RoadsideScene) -> dict[str, Any]:
    """Everything in truth.json: what happened while the films run, SI and radians."""
    scenario, motion = scene.scenario, scene.motion
    last = max(float(scenario.frame_times(c)[-1]) for c in scenario.views)
    grid = np.arange(0.0, last, 1e-4)
    numbers = motion_truth(motion, grid, scenario.before)
    corner_x = 0.9  # where the right front corner touches the rail
    numbers["final"] = {
        "x": float(REST[0]),
        "y": REST[1],
        "heading": float(REST[2]),
        "downstream": REST[0] - corner_x,
        "lateral": FACE - REST[1],
    }
    numbers["occupant"] = {}
    names = [mark.name for mark in scene.rail.marks]
    ways = {n: np.array([scene.way(k, float(t)) for t in grid]) for k, n in enumerate(names)}
    attached = {n: w for k, (n, w) in enumerate(ways.items()) if k != BREAKS}
    greatest = max(float(w.max()) for w in attached.values())
    left = max(float(w[grid > last - 0.05].mean()) for w in attached.values())
    return {
        "schema": 1,
        "conventions": "SI units, radians; angles at exit against the rail, to the right +",
        "vehicles": {VEHICLE: numbers},
        ARTICLE: {
            "dynamic_deflection": greatest,
            "permanent_deflection": left,
            "working_width": greatest + WIDTH,
            "vehicle_intrusion": _intrusion(scene, grid),
        },
        "broken": {"post": names[BREAKS], "time": scene.broken},
        "cameras": {c: {"time_zero_frame": scenario.zero_frame(c)} for c in scenario.views},
    }


def _intrusion(scene: RoadsideScene, grid: np.ndarray) -> float:
    """How far the pickup's corners reach behind the undeformed face, m."""
    from tracker.demo.roadside.motion import CG, FRONT, HALF, LENGTH

    corners = [(x, y, CG[2]) for x in (FRONT, FRONT - LENGTH) for y in (-HALF, HALF)]
    reach = -np.inf
    for t in grid[::10]:
        turn, origin = scene.place(float(t))
        reach = max(reach, max(float((turn @ np.array(c) + origin)[1]) for c in corners))
    return reach - FACE
