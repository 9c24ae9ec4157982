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
from tracker.demo.roadside.record import REST, roadside_record
from tracker.demo.roadside.scenario import ARTICLE, BREAKS, FACE, VEHICLE, WIDTH, RoadsideScenario
from tracker.demo.roadside.scene import RoadsideScene, make_roadside
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
    scenario = scenario if seed is None else replace(scenario, seed=seed)
    folder = Path(folder)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    scene, reporter = make_roadside(scenario), ProgressReporter(progress)

    def film(name: str) -> TrueTracks:
        frames = Painter(scene, name).frames()
        shown = reporter.each(f"drawing {name}", frames, scenario.frames)
        write_movie(folder / f"{name}.mp4", shown, scenario.frame_rate, scenario.crf)
        return true_tracks(scene, name)

    with ThreadPoolExecutor(max_workers=2) as pool:
        tracks = dict(zip(scenario.views, pool.map(film, scenario.views), strict=True))
    text = roadside_record(scene, tracks)
    write_text(folder / "record.toml", text)
    values = roadside_truth(scene)
    place = folder / "truth"
    write_text(place / "truth.json", json.dumps(values, indent=1))
    time = scenario.frame_times(next(iter(scenario.views)))
    table = np.column_stack([time, scene.motion.state(time)])
    header = ",".join(("time_s", *STATE))
    np.savetxt(
        place / f"motion-{VEHICLE}.csv", table, "%.9g", delimiter=",", header=header, comments=""
    )
    return DemoTruth(folder, values)


def roadside_truth(scene: RoadsideScene) -> dict[str, Any]:
    """Everything in truth.json: what happened while the films run, SI and radians."""
    scenario, motion = scene.scenario, scene.motion
    last = max(float(scenario.frame_times(c)[-1]) for c in scenario.views)
    zero = motion.state(np.zeros(1))[0]
    end = motion.state(np.array([motion.exit_time]))[0]
    grid = np.arange(0.0, last, 1e-4)
    state, before = motion.state(grid), motion.state(np.linspace(-scenario.before, -1e-3, 200))
    numbers: dict[str, Any] = {
        "impact_speed": float(np.hypot(*zero[6:8])),
        "impact_angle": float(np.arctan2(zero[7], zero[6])),
    }
    for name, column in (("roll", 3), ("pitch", 4), ("yaw", 5)):
        change = state[:, column] - before[:, column].mean()
        numbers[f"max_{name}"], numbers[f"min_{name}"] = float(change.max()), float(change.min())
    numbers["max_rise"] = float(before[:, 2].mean() - state[:, 2].min())
    numbers["exit"] = {
        "time": motion.exit_time,
        "speed": float(np.hypot(*end[6:8])),
        "trajectory_angle": float(np.arctan2(end[7], end[6])),
        "heading_angle": float(end[5]),
        "yaw_rate": float(end[11]),
    }
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
    held = {n: w for k, (n, w) in enumerate(ways.items()) if k != BREAKS}
    greatest = max(float(w.max()) for w in held.values())
    left = max(float(w[grid > last - 0.05].mean()) for w in held.values())
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
