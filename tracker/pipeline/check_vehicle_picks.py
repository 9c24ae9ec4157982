"""A vehicle's picks against its markers: do they fit a vehicle that stands upright?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations

import numpy as np
from scipy.optimize import least_squares

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.camera.options import CAMERA
from tracker.core.types import MarkId
from tracker.outcome.photograph import standing_pixels
from tracker.pipeline.check_result import Check
from tracker.pipeline.options import CHECK
from tracker.record.load import CameraEntry, Record


def check_vehicle_picks(
    record: Record, name: str, entry: CameraEntry, camera: Camera
) -> Iterator[Check]:
    """What the picks of each vehicle in one frame of a camera leave, and which two are exchanged.

    The vehicle is taken to stand upright: four unknowns (x, y, z, heading).
    """
    for vehicle, places in _by_vehicle(record, entry).items():
        names, markers, pixels = places
        if len(names) < CHECK.vehicle_picks:
            continue
        misfit = _misfit(camera, markers, pixels)
        if misfit < CAMERA.pick_u:
            continue
        pair, left = _best_exchange(camera, markers, pixels)
        reported = f"the picks of {vehicle} lie {misfit:.0f} px rms from where it can stand"
        if left < CHECK.mended * misfit:
            first, second = (names[k] for k in pair)
            text = f"{first} and {second} look exchanged: {reported}, exchanged {left:.0f} px"
            yield Check("doubtful", f"cameras.{name}.picks", text)
        elif misfit > CHECK.vehicle_misfit * CAMERA.pick_u:
            text = f"{reported}: look at its picks and at its markers' coordinates"
            yield Check("doubtful", f"cameras.{name}.picks", text)


def _best_exchange(camera: Camera, markers: Array, pixels: Array) -> tuple[tuple[int, int], float]:
    """The two picks whose exchange leaves the least misfit, and that misfit."""
    left = {}
    for i, j in combinations(range(len(pixels)), 2):
        changed = pixels.copy()
        changed[[i, j]] = pixels[[j, i]]
        left[i, j] = _misfit(camera, markers, changed)
    best = min(left, key=lambda pair: left[pair])
    return best, left[best]


def _by_vehicle(record: Record, entry: CameraEntry) -> Mapping[str, tuple[list[str], Array, Array]]:
    """Names, markers (n, 3) and picks (n, 2) of each vehicle, of the frame with most of them."""
    found = {}
    for vehicle, body in record.vehicles.items():
        frames: dict[int, list[tuple[str, tuple[float, float, float], tuple[float, float]]]] = {}
        for mark, pick in entry.picks.items():
            identity = MarkId.parse(mark)
            marker = body.markers.get(identity.marker) if identity.vehicle == vehicle else None
            if marker is not None and marker.at is not None and pick.pixel is not None:
                frames.setdefault(pick.frame, []).append((mark, marker.at, pick.pixel))
        if frames:
            names, markers, pixels = zip(*max(frames.values(), key=len), strict=True)
            found[vehicle] = (list(names), np.array(markers), np.array(pixels))
    return found


def _misfit(camera: Camera, markers: Array, pixels: Array) -> float:
    """What the place and heading that fit best leave, px rms."""

    def error(state: Array) -> Array:
        upright = np.array([state[2], 0.0, 0.0])
        seen = standing_pixels(camera, markers, state[[0, 1, 3]], upright)
        return np.nan_to_num(seen - pixels, nan=1e4).ravel()

    middle = _on_ground(camera, pixels.mean(axis=0), float(markers[:, 2].mean()))
    turns = np.linspace(0, 2 * np.pi, CHECK.vehicle_headings, endpoint=False)
    starts = [np.array([*middle, 0.0, turn]) for turn in turns]
    begin = min(starts, key=lambda state: float(np.sum(error(state) ** 2)))
    found = least_squares(error, begin, x_scale=[0.1, 0.1, 0.1, 0.05], max_nfev=60)
    return float(np.sqrt(np.mean(found.fun**2)))


def _on_ground(camera: Camera, pixel: Array, z: float) -> Array:
    """Ground x, y (2,) where a pixel looks at a height z, m; ahead of a camera that looks level."""
    ray = camera.rays(pixel[None])[0]
    reach = (
        (z - camera.position[2]) / ray[2]
        if abs(ray[2]) > CHECK.level_slope
        else CHECK.level_distance
    )
    return np.asarray((camera.position + (reach if reach > 0 else CHECK.level_distance) * ray)[:2])
