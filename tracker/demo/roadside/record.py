"""The roadside demonstration's test record as text."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.demo.roadside.bodies import WHEELS
from tracker.demo.roadside.motion import CG, FRONT, HALF, LENGTH
from tracker.demo.roadside.scenario import ARTICLE, FACE, RAIL, VEHICLE, WIDTH
from tracker.demo.roadside.scene import RoadsideScene
from tracker.demo.scenario import MILE_PER_HOUR, Scenario
from tracker.demo.toml import lengths_text, measured_place, pick_text, target_text
from tracker.demo.tracks import TrueTracks

REST = (58.4, -6.9, np.radians(-21.0))
"""m, m, rad; where the pickup comes to rest, after the films' end."""
REST_U, REST_HEADING_U = 0.05, float(np.radians(1.0))


def roadside_record(scene: RoadsideScene, tracks: dict[str, TrueTracks]) -> str:
    """The whole of record.toml."""
    scenario = scene.scenario
    rng = np.random.default_rng([scenario.seed, 3])
    parts = [_test(scene, rng), _vehicle(scene, rng), _article(scene, rng)]
    ground, marker = 1e3 * scenario.ground_u, 1e3 * scenario.marker_u
    parts.append(f'[survey]\nground_u = "{ground:g} mm"\nmarker_u = "{marker:g} mm"\n')
    surveyed = {m.name: measured_place(m.at, scenario.ground_u, rng) for m in scene.static.marks}
    parts += [camera_text(scenario, track, surveyed, rng) for track in tracks.values()]
    return "\n".join(parts)


def _test(scene: RoadsideScene, rng: np.random.Generator) -> str:
    trap = scene.scenario.speed / MILE_PER_HOUR + rng.normal(0.0, 0.12)
    return f"""\
# A demonstration test. The site, the vehicle, the rail and every number are invented.
schema = 1

[test]
number = "DEMO-2"
title = "Pickup into a rail on five posts at 25 degrees"
date = 2026-03-03
criteria = "mash2016"
report_units = "us"

[test.intended]
speed = "62 mi/h"
angle = "25 deg"

[test.speed_trap]
speed = "{trap:.2f} mi/h"
u = "0.15 mi/h"

[[test.events]]
time = "{scene.broken + 0.004:.3f} s"
text = "post 3 breaks at the ground"
"""


def _vehicle(scene: RoadsideScene, rng: np.random.Generator) -> str:
    scenario = scene.scenario
    x, y = np.array(REST[:2]) + rng.normal(0.0, REST_U, 2)
    heading = np.degrees(REST[2] + rng.normal(0.0, REST_HEADING_U))
    lines = [
        f"[vehicles.{VEHICLE}]",
        'role = "striking"',
        'kind = "pickup"',
        f'mass = "{scenario.vehicle_mass:.0f} kg"',
        f"cg = {lengths_text(CG)}",
        f'outline = {{ front = "{FRONT} m", length = "{LENGTH} m", width = "{2 * HALF} m" }}',
        f"wheels = [{', '.join(repr(w) for w in WHEELS)}]".replace("'", '"'),
        f'rest = {{ at = ["{x:.2f} m", "{y:.2f} m"], u = "{1e3 * REST_U:g} mm", '
        f'heading = "{heading:.1f} deg", heading_u = "{np.degrees(REST_HEADING_U):g} deg" }}',
        "",
        f"[vehicles.{VEHICLE}.markers]",
    ]
    marks = scene.pickup.marks
    lines += [f"{m.name} = {{ {target_text(m, scenario.marker_u, rng)} }}" for m in marks]
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
    u = scene.scenario.ground_u
    lines += [f"{m.name} = {{ {target_text(m, u, rng)} }}" for m in scene.rail.marks]
    return "\n".join(lines) + "\n"


def camera_text(
    scenario: Scenario,
    track: TrueTracks,
    surveyed: dict[str, Array],
    rng: np.random.Generator,
) -> str:
    """A camera's table: film, lens, time zero, survey with rough picks, picks of marks."""
    name = track.camera
    camera = scenario.camera(name)
    rough = np.round(camera.position + rng.normal(0.0, 0.08, 3), 1)
    matrix = [[float(f"{x:.3f}") for x in row] for row in camera.lens.matrix]
    lens = f"camera_matrix = {matrix}, distortion = {camera.lens.distortion.tolist()}"
    lines = [
        f"[cameras.{name}]",
        f'film = "{name}.mp4"',
        f'frame_rate = "{scenario.frame_rate:g} 1/s"',
        f'exposure = "{1e3 * scenario.exposure:g} ms"',
        f"position = {lengths_text(rough)}",
        f"lens = {{ {lens} }}",
        f"time = {{ zero = {scenario.zero_frame(name):.2f} }}",
        "",
        f"[cameras.{name}.survey]",
    ]
    index = {mark: k for k, mark in enumerate(track.marks)}
    for full in track.sighted_marks:
        if full.is_fixed:
            mark = track.marks[full]
            pick = pick_text(track, index[full], scenario, rng)
            at = lengths_text(surveyed[mark.name])
            looks = f'pattern = "{mark.pattern}", size = "{mark.size:.3f} m"'
            lines.append(f"{mark.name} = {{ at = {at}, {pick}, {looks} }}")
    lines += ["", f"[cameras.{name}.picks]"]
    seen = [m for m in track.marks if _is_picked(track, m, index[m])]
    lines += [f'"{m}" = {{ {pick_text(track, index[m], scenario, rng)} }}' for m in seen]
    return "\n".join(lines) + "\n"


def _is_picked(track: TrueTracks, mark: str, k: int) -> bool:
    """Whether a person would pick a mark: in view for long, or on the article before contact."""
    if mark.startswith("survey."):
        return False
    if mark.startswith(f"{ARTICLE}."):
        return bool(track.visible_mask[0, k])
    return bool(track.visible_mask[:, k].mean() > 0.1)
