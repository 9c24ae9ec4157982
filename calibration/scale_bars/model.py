"""What scale bars, and the ways cameras are set up without a survey, say about a camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from calibration.arrays import Array
from calibration.camera import PARAMETERS, Camera
from calibration.resection.adjustment import Evidence

View = Literal["above", "right", "left"]
"""From above; from the right or the left of the striking vehicle's path (ground +y or -y)."""

TILT_U = np.radians(2.0)
"""Standard uncertainty of the tilt of a camera set up by eye to look square at the motion."""
LEVEL_U = np.radians(0.3)
"""Standard uncertainty of a line that is called level or plumb without a measurement, as kerbs,
walls and poles are (common practice, no source)."""
DEPTH, _DEPTH_FACTOR = 10.0, 2.0  # m; a distance nobody stated: 10 m within a factor of 2
_DEPTH_U = 0.02  # relative, of a stated depth: a tape or pace measurement to a plane
_EXACT = 1e-6  # rad or m: standard uncertainty of what is so by definition
AXES = {"x": 0, "y": 1, "z": 2}
VIEWS: dict[View, Array] = {  # camera axes from ground axes
    "above": np.eye(3),
    "right": np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]),
    "left": np.array([[-1.0, 0, 0], [0, 0, 1], [0, 1, 0]]),
}


@dataclass(frozen=True)
class Bar:
    """A known length seen in the picture; without a length, a line along a ground axis."""

    name: str
    pixels: Array  # (2, 2) its ends
    length: float | None  # m
    along: Literal["x", "y", "z"] | None = None  # the ground axis that it lies along
    depth: float | None = None  # distance from the camera to the bar's plane, m
    plane: float = 0.0  # where that plane stands: ground z (view above) or ground y (side view), m
    pixel_u: float = 0.5  # standard uncertainty of each coordinate of an end, px
    length_u: float = 0.0  # m
    along_u: float = 0.0  # rad, how far it may be from parallel to its axis


def in_plane(view: View) -> tuple[str, str]:
    """The ground axes that lie in the plane of motion."""
    return ("x", "y") if view == "above" else ("x", "z")


def away(view: View) -> tuple[int, float]:
    """The ground axis square to the plane of motion, and +1 if the camera looks along it."""
    return (2, 1.0) if view == "above" else (1, -1.0 if view == "right" else 1.0)


def square(start: Camera, bars: Sequence[Bar], view: View, tilt_u: float) -> Evidence:
    """Evidence that the camera looks square at the plane of motion.

    From the side it was levelled by eye as well. From above, a bar along an axis defines the
    ground axes' direction; without one, the picture's edges do.
    """
    aligned = any(bar.along in in_plane(view) for bar in bars)
    reference = start.rotation if view == "above" else VIEWS[view]
    roll_u = TILT_U if view != "above" else 1.0 if aligned else _EXACT
    u = np.array([tilt_u, tilt_u, roll_u])

    def evidence(camera: Camera) -> tuple[Array, Array]:
        turned = camera.rotation @ reference.T
        turn = (turned - turned.T)[[2, 0, 1], [1, 2, 0]] / 2  # sines of the turn's components
        slopes = np.zeros((3, PARAMETERS))
        slopes[:, :3] = np.diag(1 / u)
        return turn / u, slopes

    return evidence


def origin(
    size: tuple[int, int], bars: Sequence[Bar], view: View, position: Array | None
) -> Evidence:
    """The definition of the ground origin within the plane: where the picture's centre looks, or
    such that the camera stands where it was stated to.
    """
    axis, _ = away(view)
    across = [i for i in range(3) if i != axis]
    centre = (np.array(size) - 1) / 2
    origin = np.zeros((1, 3))
    origin[0, axis] = bars[0].plane

    def looked_at(camera: Camera) -> tuple[Array, Array]:
        seen, _, by_camera = camera.project_with_derivatives(origin)
        return (seen[0] - centre) / 1e-3, by_camera[0] / 1e-3

    def stated(camera: Camera) -> tuple[Array, Array]:
        assert position is not None
        slopes = np.zeros((2, PARAMETERS))
        slopes[[0, 1], [3 + i for i in across]] = 1 / _EXACT
        return (camera.position - position)[across] / _EXACT, slopes

    return looked_at if position is None else stated


def ends(camera: Camera, bar: Bar, view: View) -> tuple[Array, Array, Array]:
    """From the first end of a bar to the second within its plane: the step (2,) in m, its
    covariance (2, 2) by the picks, its derivatives (2, 15) by the camera.
    """
    axis, sign = away(view)
    across = [i for i in range(3) if i != axis]
    rays = camera.rays(np.asarray(bar.pixels, dtype=np.float64))
    reach = (bar.plane - camera.position[axis]) / rays[:, axis]
    if sign * (bar.plane - camera.position[axis]) <= 0 or (reach <= 0).any():
        return np.full(2, np.nan), np.eye(2), np.zeros((2, PARAMETERS))
    points = camera.position + reach[:, None] * rays
    _, by_point, by_camera = camera.project_with_derivatives(points)
    by_pixel = np.linalg.inv(by_point[:, :, across])
    moves = -by_pixel @ by_camera
    noise = bar.pixel_u**2 * (by_pixel @ np.swapaxes(by_pixel, 1, 2)).sum(axis=0)
    return (points[1] - points[0])[across], noise, moves[1] - moves[0]


def length(bar: Bar, view: View) -> Evidence:
    """Evidence that a bar is as long as stated. Raises ValueError for a line without a length."""
    if bar.length is None:
        raise ValueError(f"{bar.name} has no length")
    stated = bar.length

    def evidence(camera: Camera) -> tuple[Array, Array]:
        step, noise, slopes = ends(camera, bar, view)
        length = np.linalg.norm(step)
        along = step / length
        u = np.sqrt(along @ noise @ along + bar.length_u**2)
        return np.array([(length - stated) / u]), along[None] @ slopes / u

    return evidence


def direction(bar: Bar, view: View) -> Evidence:
    """Evidence that a bar lies along its axis: the sine of its angle to it, which no error of scale
    changes, is zero.
    """
    square = np.array([0.0, 1.0]) if bar.along == "x" else np.array([1.0, 0.0])

    def evidence(camera: Camera) -> tuple[Array, Array]:
        step, noise, slopes = ends(camera, bar, view)
        length = np.linalg.norm(step)
        sine = square @ step / length
        u = np.hypot(np.sqrt(square @ noise @ square) / length, bar.along_u)
        change = (square - sine * step / length) / length
        return np.array([sine / u]), change[None] @ slopes / u

    return evidence


def distances(bars: Sequence[Bar], view: View, position: Array | None) -> list[Evidence]:
    """Evidence of the camera's distance: stated depths, else the stated position, else the vague
    knowledge that cameras stand some ten metres away.
    """
    axis, sign = away(view)
    stated = sorted({(bar.plane, bar.depth) for bar in bars if bar.depth is not None})
    if stated:
        return [_distance(axis, sign, plane, depth, _DEPTH_U * depth) for plane, depth in stated]
    plane = float(np.mean([bar.plane for bar in bars]))
    if position is not None:
        depth = abs(float(position[axis]) - plane)
        return [_distance(axis, sign, plane, depth, max(0.3, 0.05 * depth))]

    def vague(camera: Camera) -> tuple[Array, Array]:
        distance = sign * (plane - camera.position[axis])
        slopes = np.zeros((1, PARAMETERS))
        if distance <= 0:
            return np.array([np.nan]), slopes
        slopes[0, 3 + axis] = -sign / distance / np.log(_DEPTH_FACTOR)
        return np.array([np.log(distance / DEPTH) / np.log(_DEPTH_FACTOR)]), slopes

    return [vague]


def _distance(axis: int, sign: float, plane: float, depth: float, u: float) -> Evidence:
    def evidence(camera: Camera) -> tuple[Array, Array]:
        slopes = np.zeros((1, PARAMETERS))
        slopes[0, 3 + axis] = -sign / u
        return np.array([(sign * (plane - camera.position[axis]) - depth) / u]), slopes

    return evidence
