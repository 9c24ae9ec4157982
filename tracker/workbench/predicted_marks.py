"""Where the solved motion puts the points of each vehicle in a camera's picture."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.core.rigid_body import rotation
from tracker.core.types import STATE, SURVEY, MarkId, Motion
from tracker.record.load import Record
from tracker.results.schema import Results, View

AXES = {
    "axis.o": (0.0, 0.0, 0.0),
    "axis.x": (1.0, 0, 0),
    "axis.y": (0, 0.6, 0),
    "axis.z": (0, 0, 0.6),
}
"""Tips of the vehicle axes from its cg, m."""


def predicted_pixels(record: Record, results: Results, camera: str) -> dict[str, Array]:
    """Pixels (frames, 2) as seen in the picture of every marker, point and axis of each vehicle;
    NaN where the motion is not known; and of every surveyed target. Names are "vehicle.marker",
    "vehicle.axis.x" and "survey.target".
    """
    view, times = results.views.get(camera), results.times.get(camera)
    if view is None or view.camera is None or times is None:
        return {}
    found = _fixed_marks(record, view, camera, len(times))
    for name, motion in results.motion.items():
        vehicle = record.vehicles.get(name)
        if vehicle is None:
            continue
        cg = np.array(vehicle.cg)
        places = {m: np.subtract(e.at, cg) for m, e in vehicle.markers.items() if e.at is not None}
        places |= {p: np.subtract(at, cg) for p, at in vehicle.points.items()}
        places |= {axis: np.array(tip) for axis, tip in AXES.items()}
        states = states_at(motion, times)
        for point, place in places.items():
            found[f"{name}.{point}"] = _pixels(view, states, place)
    return found


def _fixed_marks(record: Record, view: View, camera: str, frames: int) -> dict[str, Array]:
    assert view.camera is not None
    entry = record.cameras.get(camera)
    found: dict[str, Array] = {}
    for name, target in entry.survey.items() if entry is not None else ():
        if target.at is not None:
            pixel = view.camera.project(np.array([target.at]))
            found[MarkId(SURVEY, name)] = pixels_as_filmed(view, np.repeat(pixel, frames, axis=0))
    return found


def states_at(motion: Motion, times: Array) -> Array:
    """States (frames, 15) at the frames' times; NaN outside the motion, 0 for unseen turns."""
    known = (
        np.isfinite(times) & (times >= motion.time[0] - 1e-9) & (times <= motion.time[-1] + 1e-9)
    )
    states = np.full((len(times), len(STATE)), np.nan)
    for k in range(6):
        column = motion.state[:, k]
        if k >= 3:
            column = np.where(np.isfinite(column), column, 0.0)
        states[known, k] = np.interp(times[known], motion.time, column)
    return states


def _pixels(view: View, states: Array, place: Array) -> Array:
    assert view.camera is not None
    ground = states[:, :3] + rotation(states[:, 3:6]) @ place
    known = np.isfinite(ground).all(axis=1)
    pixels = np.full((len(states), 2), np.nan)
    if known.any():
        pixels[known] = view.camera.project(ground[known])
    return pixels_as_filmed(view, pixels)


def pixels_as_filmed(view: View, pixels: Array) -> Array:
    """Pixels (frames, 2) of the picture at rest as they are seen in each frame."""
    if view.steadiness is None or view.centre is None:
        return pixels
    moves = np.zeros((len(pixels), 4))
    count = min(len(pixels), len(view.steadiness))
    moves[:count] = np.nan_to_num(view.steadiness[:count])
    centre = complex(*view.centre)
    rest = pixels[:, 0] + 1j * pixels[:, 1] - centre
    seen = rest * np.exp(moves[:, 3] + 1j * moves[:, 2]) + moves[:, 0] + 1j * moves[:, 1] + centre
    return np.column_stack([seen.real, seen.imag])


def pixels_at_rest(view: View, pixels: Array, frame: int) -> Array:
    """Pixels (n, 2) of a frame in the picture at rest: the inverse of `pixels_as_filmed`."""
    moves = view.steadiness
    if moves is None or view.centre is None or frame >= len(moves):
        return pixels
    du, dv, turn, scale = np.nan_to_num(moves[frame])
    centre = complex(*view.centre)
    rest = pixels[:, 0] + 1j * pixels[:, 1] - centre - du - 1j * dv
    rest = rest * np.exp(-scale - 1j * turn) + centre
    return np.column_stack([rest.real, rest.imag])
