"""Parts that the records of all demonstrations share, as text."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from calibration.arrays import Array
from tracker.core.types import MarkId
from tracker.demo.mesh import Painted
from tracker.demo.scenario import MILE_PER_HOUR, Scenario
from tracker.demo.tracks import TrueTracks

REST_U, REST_HEADING_U = 0.05, float(np.radians(1.0))
"""m, rad; of a place of rest by tape."""


def head_text(
    scenario: Scenario, rng: np.random.Generator, about: str, test: str, intended: str
) -> str:
    """The tables of the test: `about` names what is invented, `test` and `intended` are lines."""
    trap = scenario.speed / MILE_PER_HOUR + rng.normal(0.0, 0.12)
    return f"""\
# A demonstration test. The site, {about} and every number are invented.
schema = 1

[test]
{test.strip()}
report_units = "us"

[test.intended]
speed = "62 mi/h"
{intended}

[test.speed_trap]
speed = "{trap:.2f} mi/h"
u = "0.15 mi/h"
"""


def survey_text(scenario: Scenario, least: float = 0.0) -> str:
    """The table of the survey; an uncertainty is written as `least` mm, at least."""
    ground, marker = (max(1e3 * u, least) for u in (scenario.ground_u, scenario.marker_u))
    return f'[survey]\nground_u = "{ground:g} mm"\nmarker_u = "{marker:g} mm"\n'


def outline_text(front: float, length: float, width: float) -> str:
    """A vehicle's outline, m."""
    return f'outline = {{ front = "{front} m", length = "{length} m", width = "{width} m" }}'


def rest_text(rest: tuple[float, float, float], rng: np.random.Generator) -> str:
    """A place of rest (m, m, rad) with the errors of a tape."""
    x, y = np.array(rest[:2]) + rng.normal(0.0, REST_U, 2)
    heading = np.degrees(rest[2] + rng.normal(0.0, REST_HEADING_U))
    return (
        f'rest = {{ at = ["{x:.2f} m", "{y:.2f} m"], u = "{1e3 * REST_U:g} mm", '
        f'heading = "{heading:.1f} deg", heading_u = "{np.degrees(REST_HEADING_U):g} deg" }}'
    )


def targets_text(marks: Iterable[Painted], u: float, rng: np.random.Generator) -> list[str]:
    """A line a target, each place with the survey's error."""
    return [f"{mark.name} = {{ {target_text(mark, u, rng)} }}" for mark in marks]


def surveyed_places(
    marks: Iterable[Painted], u: float, rng: np.random.Generator
) -> dict[str, Array]:
    """Places (3,) of fixed targets by name, with the survey's error, m."""
    return {mark.name: measured_place(mark.at, u, rng) for mark in marks}


def camera_text(
    scenario: Scenario,
    track: TrueTracks,
    surveyed: Mapping[str, Array],
    rng: np.random.Generator,
    *,
    picked: Iterable[MarkId],
    head: Sequence[str] = (),
    end: Sequence[str] = (),
) -> str:
    """A camera's table: film, lens, survey with rough picks, picks of the marks `picked`; `head`
    holds further keys, `end` further tables.
    """
    name = track.camera
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
        distortion = camera.lens.distortion.tolist()
        lines.append(f"lens = {{ camera_matrix = {matrix}, distortion = {distortion} }}")
    lines += [*head, "", f"[cameras.{name}.survey]"]
    index = {mark: k for k, mark in enumerate(track.marks)}
    for full in track.sighted_marks:
        if full.is_fixed:
            mark = track.marks[full]
            pick = pick_text(track, index[full], scenario, rng)
            at = lengths_text(surveyed[mark.name])
            looks = f'pattern = "{mark.pattern}", size = "{mark.size:.3f} m"'
            lines.append(f"{mark.name} = {{ at = {at}, {pick}, {looks} }}")
    lines += ["", f"[cameras.{name}.picks]"]
    lines += [f'"{m}" = {{ {pick_text(track, index[m], scenario, rng)} }}' for m in picked]
    return "\n".join([*lines, *end]) + "\n"


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
