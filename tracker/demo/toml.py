"""The demonstration's test record as text."""

from __future__ import annotations

import numpy as np

from tracker.demo.forces import CUSHION_LENGTH, nose_share
from tracker.demo.record_parts import (
    camera_text,
    head_text,
    lengths_text,
    survey_text,
    surveyed_places,
    targets_text,
)
from tracker.demo.scenario import Scenario
from tracker.demo.scene import Scene
from tracker.demo.sensors import LEVER
from tracker.demo.tracks import TrueTracks

POINTS = {"nose": (0.78, 0.0, -0.50), "driver": (-1.60, -0.36, -1.02)}  # of the car, m


_TEST = """
number = "DEMO-1"
title = "Small car into the crush cushion of a parked work truck"
date = 2026-03-02
criteria = "mash2016"
"""


def record_text(
    scene: Scene,
    tracks: dict[str, TrueTracks],
    flash: dict[str, list[int]],
    lights: dict[str, list[int]],
) -> str:
    """The whole of record.toml; `flash` and `lights` hold each camera's regions of the flash and of
    the timing light.
    """
    scenario = scene.scenario
    rng = np.random.default_rng([scenario.seed, 3])
    intended = f'angle = "{np.degrees(scenario.angle):.1f} deg"\noffset = "0 ft"'
    about = "the vehicles, the cushion"
    parts = [head_text(scenario, rng, about, _TEST, intended)]
    parts += [_vehicle(scene, vehicle, rng) for vehicle in ("car", "truck")]
    parts += [survey_text(scenario, least=0.1), _cushion(scene)]
    surveyed = surveyed_places(scene.static.marks, scenario.ground_u, rng)
    for name, track in tracks.items():
        picked = [mark for mark in track.sighted_marks if not mark.is_fixed]
        end = _time(scenario, name, flash.get(name), lights.get(name))
        parts.append(camera_text(scenario, track, surveyed, rng, picked=picked, end=end))
    parts.append(_accelerometer())
    return "\n".join(parts)


def _vehicle(scene: Scene, vehicle: str, rng: np.random.Generator) -> str:
    chassis, mesh = scene.chassis(vehicle), scene.meshes[vehicle]
    lines = [
        f"[vehicles.{vehicle}]",
        f'role = "{"striking" if vehicle == "car" else "struck"}"',
        f'mass = "{chassis.mass:.0f} kg"',
        f"cg = {lengths_text(chassis.cg)}",
    ]
    if vehicle == "car":
        lines.append('flail = ["0.6 m", "0.3 m"]')
    lines += ["", f"[vehicles.{vehicle}.markers]"]
    lines += targets_text(mesh.marks, scene.scenario.marker_u, rng)
    if vehicle == "car":
        lines += ["", "[vehicles.car.points]"]
        lines += [f"{name} = {lengths_text(at)}" for name, at in POINTS.items()]
    return "\n".join(lines) + "\n"


def _cushion(scene: Scene) -> str:
    front = float(nose_share(scene.history.peak))  # as the tape would find it on the car
    return f'[cushion]\nlength = "{CUSHION_LENGTH:.2f} m"\nfront_crush = "{front:.2f} m"\n'


def _time(
    scenario: Scenario, name: str, flash: list[int] | None, light: list[int] | None
) -> list[str]:
    """Lines of a camera's table of time; none where nothing times it."""
    if flash is None and light is None:
        return []
    lines = ["", f"[cameras.{name}.time]"]
    if flash is not None:
        lines += ['zero = "flash"', f"flash_region = {flash}"]
        lines += ['flash_lag = "0 ms"', 'flash_lag_u = "0.05 ms"']
    if light is not None:
        blinks = f'rate = "{scenario.timing_light:g} 1/s", duty = 0.5'
        lines.append(f"timing_light = {{ region = {light}, {blinks} }}")
    return lines


def _accelerometer() -> str:
    from tracker.demo.physics import car

    at = np.array(car(Scenario()).cg) + LEVER
    channels = [f'a{x} = {{ column = "a{x}", unit = "g_0" }}' for x in "xyz"]
    channels += [
        f'{rate}_rate = {{ column = "{rate}_rate", unit = "deg/s" }}'
        for rate in ("roll", "pitch", "yaw")
    ]
    return f"""\
[[accelerometers]]
vehicle = "car"
at = {lengths_text(at)}
file = "car-accelerometer.csv"
time = {{ column = "time", unit = "s" }}
channels = {{ {", ".join(channels)} }}
full_scale = "100 g_0"
"""
