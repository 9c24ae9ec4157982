"""The length and direction of a line that a person draws on a film."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.core.rigid_body import rotation
from tracker.core.types import MarkId
from tracker.core.units import report_unit
from tracker.record.load import Record
from tracker.report.digits import value_with_u
from tracker.results.schema import Results, View
from tracker.workbench.options import WORKBENCH
from tracker.workbench.predicted_marks import pixels_at_rest, states_at

PLANES = ("upright, across the path", "upright, along the path", "level")
"""The plane that a line is taken to lie in, by the ground axis square to it."""


def line_length_words(
    record: Record, results: Results | None, camera: str, frame: int, ends: Array, mark: str
) -> dict[str, Any]:
    """Words about a line between two pixels (2, 2) of a frame.

    Its length in px and its angle from the picture's right, anticlockwise; and where the camera
    is calibrated, length and angle in the plane through `mark`, or through the cg of the vehicle
    nearest to it, that is square to the ground axis along which the camera looks most. u holds
    the pointing of both ends and the camera's calibration, not the distance of the plane.
    """
    du, dv = ends[1] - ends[0]
    words = f"{math.hypot(du, dv):.1f} px, {math.degrees(math.atan2(-dv, du)):.2f} deg"
    alone = {"picture": words, "ground": "", "plane": ""}
    view = None if results is None else results.views.get(camera)
    if results is None or view is None or view.camera is None:
        return alone
    rest = pixels_at_rest(view, ends, frame)
    found = _plane_point(record, results, view, camera, frame, rest, mark)
    if found is None:
        return alone
    name, through = found
    axis = int(np.argmax(np.abs(view.camera.rotation[2])))
    length, angle = _line(view.camera, rest, through, axis)
    if not math.isfinite(length):
        return alone
    u_length, u_angle = _spread(view.camera, rest, through, axis)
    unit, factor = report_unit("length", results.test.report_units)
    ground = f"{value_with_u(length * factor, u_length * factor)} {unit}"
    ground += f", {value_with_u(math.degrees(angle), math.degrees(u_angle))} deg"
    sense = "from x to the right" if axis == 2 else "upwards"
    return {"picture": words, "ground": ground, "plane": f"{PLANES[axis]}, through {name}; {sense}"}


def _plane_point(
    record: Record,
    results: Results,
    view: View,
    camera: str,
    frame: int,
    rest: Array,
    mark: str,
) -> tuple[str, Array] | None:
    """A place (3,) that the line's plane goes through, with its name."""
    assert view.camera is not None
    times = results.times.get(camera)
    if times is None or not 0 <= frame < len(times):
        return None
    time = times[frame : frame + 1]
    chosen = MarkId.parse(mark) if mark else None
    entry = record.cameras.get(camera)
    if chosen is not None and chosen.is_fixed:
        target = None if entry is None else entry.survey.get(chosen.marker)
        return None if target is None or target.at is None else (mark, np.array(target.at))
    places: dict[str, Array] = {}
    for name, motion in results.motion.items():
        state = states_at(motion, time)[0]
        if not np.isfinite(state[:3]).all():
            continue
        places[f"the cg of {name}"] = state[:3]
        vehicle = record.vehicles.get(name)
        marker = None
        if vehicle is not None and chosen is not None and chosen.vehicle == name:
            marker = vehicle.markers.get(chosen.marker)
        if vehicle is not None and marker is not None and marker.at is not None:
            lever_arm = np.subtract(marker.at, vehicle.cg)
            return mark, state[:3] + rotation(state[3:6]) @ lever_arm
    if not places:
        return None
    off = {
        name: float(np.hypot(*(view.camera.project(place[None])[0] - rest.mean(axis=0))))
        for name, place in places.items()
    }
    nearest = min(off, key=lambda name: math.inf if math.isnan(off[name]) else off[name])
    return nearest, places[nearest]


def _line(camera: Camera, pixels: Array, through: Array, axis: int) -> tuple[float, float]:
    """Length (m) and angle (rad) of the line between two pixels in a plane square to an axis."""
    rays = camera.rays(pixels)
    reach = (through[axis] - camera.position[axis]) / rays[:, axis]
    if not (np.isfinite(reach) & (reach > 0)).all():
        return math.nan, math.nan
    x, y, z = np.diff(camera.position + reach[:, None] * rays, axis=0)[0]
    angle = math.atan2(y, x) if axis == 2 else math.atan2(-z, x if axis == 1 else y)
    return float(math.sqrt(x * x + y * y + z * z)), angle


def _spread(camera: Camera, pixels: Array, through: Array, axis: int) -> tuple[float, float]:
    """Standard uncertainties of length (m) and angle (rad), by first differences (JCGM 100, 5)."""
    best = np.array(_line(camera, pixels, through, axis))
    parts = []
    for k in range(4):
        perturbed = pixels.copy()
        perturbed.flat[k] += WORKBENCH.pointing
        parts.append(np.array(_line(camera, perturbed, through, axis)) - best)
    values, vectors = np.linalg.eigh(camera.covariance)
    for value, vector in zip(values, vectors.T, strict=True):
        if value > 0:
            changed = camera.with_change(math.sqrt(value) * vector)
            parts.append(np.array(_line(changed, pixels, through, axis)) - best)
    changes = np.array(parts)
    changes[:, 1] = (changes[:, 1] + math.pi) % (2 * math.pi) - math.pi
    u = np.sqrt(np.sum(changes**2, axis=0))
    return float(u[0]), float(u[1])
