"""The demonstration's test record as text."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from calibration.arrays import Array
from tracker.demo.forces import CUSHION_LENGTH, nose_share
from tracker.demo.mesh import Painted
from tracker.demo.scenario import MILE_PER_HOUR, Scenario
from tracker.demo.scene import Scene
from tracker.demo.sensors import LEVER
from tracker.demo.tracks import TrueTracks

POINTS = {"nose": (0.78, 0.0, -0.50), "driver": (-1.60, -0.36, -1.02)}  # of the car, m


def record_text(
    scene: Scene,
    tracks: dict[str, TrueTracks],
    flash: dict[str, list[int]],
    lights: dict[str, list[int]],
) -> str:
    """The whole of record.toml; `flash` and `lights` hold each camera's regions of the flash and of
    the timing light.
    """
    rng = np.random.default_rng([scene.scenario.seed, 3])
    parts = [_test(scene.scenario, rng)]
    for vehicle in ("car", "truck"):
        parts.append(_vehicle(scene, vehicle, rng))
    parts.append(_survey(scene.scenario))
    parts.append(_cushion(scene))
    surveyed = {
        mark.name: measured_place(mark.at, scene.scenario.ground_u, rng)
        for mark in scene.static.marks
    }
    for name, track in tracks.items():
        parts.append(_camera(scene, track, surveyed, flash.get(name), lights.get(name), rng))
    parts.append(_accelerometer())
    return "\n".join(parts)


def _test(scenario: Scenario, rng: np.random.Generator) -> str:
    trap = scenario.speed / MILE_PER_HOUR + rng.normal(0.0, 0.12)
    return f"""\
# A demonstration test. The site, the vehicles, the cushion and every number are invented.
schema = 1

[test]
number = "DEMO-1"
title = "Small car into the crush cushion of a parked work truck"
date = 2026-03-02
criteria = "mash2016"
report_units = "us"

[test.intended]
speed = "62 mi/h"
angle = "{np.degrees(scenario.angle):.1f} deg"
offset = "0 ft"

[test.speed_trap]
speed = "{trap:.2f} mi/h"
u = "0.15 mi/h"
"""


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
    for mark in mesh.marks:
        lines.append(f"{mark.name} = {{ {target_text(mark, scene.scenario.marker_u, rng)} }}")
    if vehicle == "car":
        lines += ["", "[vehicles.car.points]"]
        lines += [f"{name} = {lengths_text(at)}" for name, at in POINTS.items()]
    return "\n".join(lines) + "\n"


def _survey(scenario: Scenario) -> str:
    ground, marker = 1e3 * scenario.ground_u, 1e3 * scenario.marker_u
    return f'[survey]\nground_u = "{max(ground, 0.1):g} mm"\nmarker_u = "{max(marker, 0.1):g} mm"\n'


def _cushion(scene: Scene) -> str:
    front = float(nose_share(scene.history.peak))  # as the tape would find it on the car
    return f'[cushion]\nlength = "{CUSHION_LENGTH:.2f} m"\nfront_crush = "{front:.2f} m"\n'


def _camera(
    scene: Scene,
    track: TrueTracks,
    surveyed: dict[str, Array],
    flash: list[int] | None,
    light: list[int] | None,
    rng: np.random.Generator,
) -> str:
    scenario, name = scene.scenario, track.camera
    camera = scenario.camera(name)
    rough = np.round(camera.position + rng.normal(0.0, 0.08, 3), 1)
    lines = [
        f"[cameras.{name}]",
        f'film = "{name}.mp4"',
        f'frame_rate = "{scenario.frame_rate:g} 1/s"',
        f'exposure = "{1e3 * scenario.exposure:g} ms"',
        f"position = {lengths_text(rough)}",
    ]
    if scenario.lens_in_record:
        matrix = [[float(f"{x:.3f}") for x in row] for row in camera.lens.matrix]
        lines.append(
            f"lens = {{ camera_matrix = {matrix}, distortion = {camera.lens.distortion.tolist()} }}"
        )
    index = {mark: k for k, mark in enumerate(track.marks)}
    survey = [m for m in track.sighted_marks if m.is_fixed]
    lines += ["", f"[cameras.{name}.survey]"]
    for full in survey:
        mark = track.marks[full]
        pick = pick_text(track, index[full], scenario, rng)
        at = lengths_text(surveyed[mark.name])
        looks = f'pattern = "{mark.pattern}", size = "{mark.size:.3f} m"'
        lines.append(f"{mark.name} = {{ at = {at}, {pick}, {looks} }}")
    lines += ["", f"[cameras.{name}.picks]"]
    for full in track.sighted_marks:
        if not full.is_fixed:
            lines.append(f'"{full}" = {{ {pick_text(track, index[full], scenario, rng)} }}')
    if flash is not None or light is not None:
        lines += ["", f"[cameras.{name}.time]"]
    if flash is not None:
        lines += ['zero = "flash"', f"flash_region = {flash}"]
        lines += ['flash_lag = "0 ms"', 'flash_lag_u = "0.05 ms"']
    if light is not None:
        blinks = f'rate = "{scenario.timing_light:g} 1/s", duty = 0.5'
        lines.append(f"timing_light = {{ region = {light}, {blinks} }}")
    return "\n".join(lines) + "\n"


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


def pick_text(track: TrueTracks, k: int, scenario: Scenario, rng: np.random.Generator) -> str:
    """A rough hand pick in the first frame in which the target is well in the picture."""
    seen = np.flatnonzero(track.visible_mask[:, k])
    frame = 0 if track.visible_mask[0, k] else int(seen[min(3, len(seen) - 1)])
    off = rng.uniform(-scenario.pick_error, scenario.pick_error, 2)
    u, v = np.round(track.pixels[frame, k] + off).astype(int)
    return f"pixel = [{u}, {v}], frame = {frame}"


def target_text(mark: Painted, u: float, rng: np.random.Generator) -> str:
    """A target's place with the survey's error, its pattern and its size."""
    at = lengths_text(measured_place(mark.at, u, rng))
    return f'at = {at}, pattern = "{mark.pattern}", size = "{mark.size:.3f} m"'


def measured_place(at: Iterable[float], u: float, rng: np.random.Generator) -> Array:
    """A place (3,) with the survey's error, m."""
    return np.array(list(at)) + rng.normal(0.0, u, 3)


def lengths_text(values: Iterable[float]) -> str:
    """A list of lengths as a record writes it."""
    return "[" + ", ".join(f'"{x:.4f} m"' for x in values) + "]"
