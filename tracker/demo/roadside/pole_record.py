"""The pole demonstration's test record as text, and its truth."""

from __future__ import annotations

from typing import Any

import numpy as np

from tracker.demo.record_parts import (
    head_text,
    lengths_text,
    outline_text,
    rest_text,
    survey_text,
    target_text,
    targets_text,
)
from tracker.demo.roadside.pole_motion import BREAKS_AT, FRONT, foundation
from tracker.demo.roadside.pole_scene import CAR, FOOT, PoleScene
from tracker.demo.roadside.record import cameras_text
from tracker.demo.roadside.scenario import ARTICLE, POLE_SIDE
from tracker.demo.roadside.truth import motion_truth
from tracker.demo.tracks import TrueTracks

REST = (51.3, 3.4, np.radians(12.0))
"""m, m, rad; where the car comes to rest, after the films' end."""
BREAK_U = 5e-4  # s, error of the time that a person reads off the film
LENGTH, WIDTH = 3.88, 1.66  # m, of the car


_TEST = """
number = "DEMO-3"
title = "Small car into a breakaway pole"
date = 2026-04-14
criteria = "mash2016"
device = "breakaway"
"""


def pole_record(scene: PoleScene, tracks: dict[str, TrueTracks]) -> str:
    """The whole of record.toml."""
    scenario = scene.scenario
    rng = np.random.default_rng([scenario.seed, 3])
    about = "the vehicle, the pole"
    parts = [
        head_text(scenario, rng, about, _TEST, 'angle = "0 deg"'),
        _vehicle(scene, rng),
        _article(scene, rng),
        survey_text(scenario),
        *cameras_text(scenario, tracks, scene.static.marks, rng),
    ]
    return "\n".join(parts)


def _vehicle(scene: PoleScene, rng: np.random.Generator) -> str:
    scenario = scene.scenario
    lines = [
        f"[vehicles.{CAR}]",
        'role = "striking"',
        'kind = "car"',
        f'mass = "{scenario.car_mass:.0f} kg"',
        f"cg = {lengths_text(scene.cg)}",
        outline_text(FRONT, LENGTH, WIDTH),
        rest_text(REST, rng),
        "",
        f"[vehicles.{CAR}.markers]",
    ]
    lines += targets_text(scene.car.marks, scenario.marker_u, rng)
    return "\n".join(lines) + "\n"


def _article(scene: PoleScene, rng: np.random.Generator) -> str:
    read = BREAKS_AT + rng.normal(0.0, BREAK_U)
    lines = [
        "[article]",
        'kind = "pole"',
        f'width = "{POLE_SIDE} m"',
        "",
        "[article.markers]",
    ]
    for mark in scene.article.marks:
        text = target_text(mark, scene.scenario.ground_u, rng)
        broken = ', rise_u = "2 mm"' if mark.name in FOOT else f', detached_at = "{read:.4f} s"'
        lines.append(f"{mark.name} = {{ {text}{broken} }}")
    return "\n".join(lines) + "\n"


def pole_truth(scene: PoleScene) -> dict[str, Any]:
    """Everything in truth.json: what happened while the films run, SI and radians."""
    scenario = scene.scenario
    last = max(float(scenario.frame_times(c)[-1]) for c in scenario.views)
    grid = np.arange(0.0, last, 1e-4)
    numbers = motion_truth(scene.motion, grid, scenario.before)
    x, y, heading = REST
    start = scene.motion.state(np.zeros(1))[0]
    numbers["final"] = {
        "x": float(x),
        "y": y,
        "heading": float(heading),
        "downstream": float(x - start[0]),
        "lateral": float(y - start[1]),
    }
    numbers["occupant"] = {}
    deflection = np.array([foundation(float(t)) for t in grid])
    return {
        "schema": 1,
        "conventions": "SI units, radians; angles at exit against ground x, to the right +",
        "vehicles": {CAR: numbers},
        ARTICLE: {
            "dynamic_deflection": float(deflection.max()),
            "permanent_deflection": float(deflection[grid > last - 0.05].mean()),
        },
        "broken": {"pole": BREAKS_AT},
        "cameras": {c: {"time_zero_frame": scenario.zero_frame(c)} for c in scenario.views},
    }
