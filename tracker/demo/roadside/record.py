"""The roadside demonstration's test record as text."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from tracker.demo.mesh import Painted
from tracker.demo.record_parts import (
    camera_text,
    head_text,
    lengths_text,
    outline_text,
    rest_text,
    survey_text,
    surveyed_places,
    targets_text,
)
from tracker.demo.roadside.bodies import WHEELS
from tracker.demo.roadside.motion import CG, FRONT, HALF, LENGTH
from tracker.demo.roadside.scenario import ARTICLE, FACE, RAIL, VEHICLE, WIDTH
from tracker.demo.roadside.scene import RoadsideScene
from tracker.demo.scenario import Scenario
from tracker.demo.tracks import TrueTracks

REST = (58.4, -6.9, np.radians(-21.0))
"""m, m, rad; where the pickup comes to rest, after the films' end."""


_TEST = """
number = "DEMO-2"
title = "Pickup into a rail on five posts at 25 degrees"
date = 2026-03-03
criteria = "mash2016"
"""


def roadside_record(scene: RoadsideScene, tracks: dict[str, TrueTracks]) -> str:
    """The whole of record.toml."""
    scenario = scene.scenario
    rng = np.random.default_rng([scenario.seed, 3])
    about = "the vehicle, the rail"
    parts = [head_text(scenario, rng, about, _TEST, 'angle = "25 deg"')]
    parts[0] += f"""
[[test.events]]
time = "{scene.broken + 0.004:.3f} s"
text = "post 3 breaks at the ground"
"""
    parts += [_vehicle(scene, rng), _article(scene, rng), survey_text(scenario)]
    parts += cameras_text(scenario, tracks, scene.static.marks, rng)
    return "\n".join(parts)


def _vehicle(scene: RoadsideScene, rng: np.random.Generator) -> str:
    scenario = scene.scenario
    lines = [
        f"[vehicles.{VEHICLE}]",
        'role = "striking"',
        'kind = "pickup"',
        f'mass = "{scenario.vehicle_mass:.0f} kg"',
        f"cg = {lengths_text(CG)}",
        outline_text(FRONT, LENGTH, 2 * HALF),
        f"wheels = [{', '.join(repr(w) for w in WHEELS)}]".replace("'", '"'),
        rest_text(REST, rng),
        "",
        f"[vehicles.{VEHICLE}.markers]",
    ]
    lines += targets_text(scene.pickup.marks, scenario.marker_u, rng)
    lines += ["", f"[vehicles.{VEHICLE}.points]"]
    lines += [f"{name} = {lengths_text(at)}" for name, at in WHEELS.items()]
    return "\n".join(lines) + "\n"


def _article(scene: RoadsideScene, rng: np.random.Generator) -> str:
    lines = [
        "[article]",
        f'traffic_face = "{FACE} m"',
        f'width = "{WIDTH} m"',
        f'length_of_need_begin = "{RAIL[0]} m"',
        f'length_of_need_end = "{RAIL[1]} m"',
        "",
        "[article.markers]",
    ]
    lines += targets_text(scene.rail.marks, scene.scenario.ground_u, rng)
    return "\n".join(lines) + "\n"


def cameras_text(
    scenario: Scenario,
    tracks: Mapping[str, TrueTracks],
    fixed: Iterable[Painted],
    rng: np.random.Generator,
) -> list[str]:
    """The tables of all cameras, whose time zero is a frame that a person read off."""
    surveyed = surveyed_places(fixed, scenario.ground_u, rng)
    texts = []
    for name, track in tracks.items():
        picked = [m for k, m in enumerate(track.marks) if _is_picked(track, m, k)]
        zero = f"time = {{ zero = {scenario.zero_frame(name):.2f} }}"
        texts.append(camera_text(scenario, track, surveyed, rng, picked=picked, head=[zero]))
    return texts


def _is_picked(track: TrueTracks, mark: str, k: int) -> bool:
    """Whether a person would pick a mark: in view for long, or on the article before contact."""
    if mark.startswith("survey."):
        return False
    if mark.startswith(f"{ARTICLE}."):
        return bool(track.visible_mask[0, k])
    return bool(track.visible_mask[:, k].mean() > 0.1)
