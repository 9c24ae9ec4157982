"""What scale bars, and the ways cameras are set up without a survey, show of a camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from calibration.arrays import Array
from calibration.camera import PARAMETERS, Camera
from calibration.resection.adjustment import Observation
from calibration.scale_bars.options import SCALE_BARS

ViewDirection = Literal["above", "right", "left"]
"""From above; from the right or the left of the striking vehicle's path (ground +y or -y)."""

AXES = {"x": 0, "y": 1, "z": 2}
VIEWS: dict[ViewDirection, Array] = {  # camera axes from ground axes
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
    pixel_u: float = SCALE_BARS.pick_u  # standard uncertainty of each coordinate of an end, px
    length_u: float = 0.0  # m
    along_u: float = 0.0  # rad, how far it may be from parallel to its axis

    def inflate_u(self, factor: float) -> Bar:
        """The same with uncertainties that are larger by this factor."""
        return replace(
            self,
            pixel_u=self.pixel_u * factor,
            length_u=self.length_u * factor,
            along_u=self.along_u * factor,
        )


def plane_axes(view: ViewDirection) -> tuple[str, str]:
    """The ground axes that lie in the plane of motion."""
    return ("x", "y") if view == "above" else ("x", "z")


def view_axis(view: ViewDirection) -> tuple[int, float]:
    """The ground axis square to the plane of motion, and +1 if the camera looks along it."""
    return (2, 1.0) if view == "above" else (1, -1.0 if view == "right" else 1.0)


def squareness(
    start: Camera, bars: Sequence[Bar], view: ViewDirection, tilt_u: float
) -> Observation:
    """The observation that the camera looks square at the plane of motion.

    From the side it was levelled by eye as well. From above, a bar along an axis defines the
    ground axes' direction; without one, the picture's edges do.
    """
    aligned = any(bar.along in plane_axes(view) for bar in bars)
    reference = start.rotation if view == "above" else VIEWS[view]
    squared = SCALE_BARS.roll_u if aligned else SCALE_BARS.exact_u
    roll_u = squared if view == "above" else SCALE_BARS.tilt_u
    u = np.array([tilt_u, tilt_u, roll_u])

    def residuals(camera: Camera) -> tuple[Array, Array]:
        turned = camera.rotation @ reference.T
        turn = (turned - turned.T)[[2, 0, 1], [1, 2, 0]] / 2  # sines of the turn's components
        slopes = np.zeros((3, PARAMETERS))
        slopes[:, :3] = np.diag(1 / u)
        return turn / u, slopes

    return residuals


def origin_definition(
    size: tuple[int, int], bars: Sequence[Bar], view: ViewDirection, position: Array | None
) -> Observation:
    """The definition of the ground origin within the plane: where the picture's centre looks, or
    such that the camera stands where it was stated to.
    """
    axis, _ = view_axis(view)
    across = [i for i in range(3) if i != axis]
    centre = (np.array(size) - 1) / 2
    origin = np.zeros((1, 3))
    origin[0, axis] = bars[0].plane

    def centre_residuals(camera: Camera) -> tuple[Array, Array]:
        seen, _, by_camera = camera.project_with_derivatives(origin)
        return (seen[0] - centre) / SCALE_BARS.centre_u, by_camera[0] / SCALE_BARS.centre_u

    def position_residuals(camera: Camera) -> tuple[Array, Array]:
        assert position is not None
        slopes = np.zeros((2, PARAMETERS))
        slopes[[0, 1], [3 + i for i in across]] = 1 / SCALE_BARS.exact_u
        return (camera.position - position)[across] / SCALE_BARS.exact_u, slopes

    return centre_residuals if position is None else position_residuals


def bar_vector(camera: Camera, bar: Bar, view: ViewDirection) -> tuple[Array, Array, Array]:
    """From the first end of a bar to the second within its plane: the step (2,) in m, its
    covariance (2, 2) by the picks, its derivatives (2, 15) by the camera.
    """
    axis, sign = view_axis(view)
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


def length_observation(bar: Bar, view: ViewDirection) -> Observation:
    """The observation that a bar is as long as stated. Raises ValueError without a length."""
    if bar.length is None:
        raise ValueError(f"{bar.name} has no length")
    stated = bar.length

    def residuals(camera: Camera) -> tuple[Array, Array]:
        step, noise, slopes = bar_vector(camera, bar, view)
        length = np.linalg.norm(step)
        along = step / length
        u = np.sqrt(along @ noise @ along + bar.length_u**2)
        return np.array([(length - stated) / u]), along[None] @ slopes / u

    return residuals


def direction_observation(bar: Bar, view: ViewDirection) -> Observation:
    """The observation that a bar lies along its axis: the sine of its angle to it, which no error
    of scale changes, is zero.
    """
    square = np.array([0.0, 1.0]) if bar.along == "x" else np.array([1.0, 0.0])

    def residuals(camera: Camera) -> tuple[Array, Array]:
        step, noise, slopes = bar_vector(camera, bar, view)
        length = np.linalg.norm(step)
        sine = square @ step / length
        u = np.hypot(np.sqrt(square @ noise @ square) / length, bar.along_u)
        change = (square - sine * step / length) / length
        return np.array([sine / u]), change[None] @ slopes / u

    return residuals


def distance_observations(
    bars: Sequence[Bar], view: ViewDirection, position: Array | None
) -> list[Observation]:
    """Observations of the camera's distance: stated depths, else the stated position, else the weak
    prior that cameras stand some ten metres away.
    """
    axis, sign = view_axis(view)
    stated = sorted({(bar.plane, bar.depth) for bar in bars if bar.depth is not None})
    if stated:
        return [
            _distance(axis, sign, plane, depth, SCALE_BARS.depth_u * depth)
            for plane, depth in stated
        ]
    plane = float(np.mean([bar.plane for bar in bars]))
    if position is not None:
        depth = abs(float(position[axis]) - plane)
        return [
            _distance(
                axis,
                sign,
                plane,
                depth,
                max(SCALE_BARS.position_u, SCALE_BARS.position_relative_u * depth),
            )
        ]

    def weak(camera: Camera) -> tuple[Array, Array]:
        distance = sign * (plane - camera.position[axis])
        slopes = np.zeros((1, PARAMETERS))
        if distance <= 0:
            return np.array([np.nan]), slopes
        slopes[0, 3 + axis] = -sign / distance / np.log(SCALE_BARS.depth_factor)
        return np.array(
            [np.log(distance / SCALE_BARS.depth) / np.log(SCALE_BARS.depth_factor)]
        ), slopes

    return [weak]


def _distance(axis: int, sign: float, plane: float, depth: float, u: float) -> Observation:
    def residuals(camera: Camera) -> tuple[Array, Array]:
        slopes = np.zeros((1, PARAMETERS))
        slopes[0, 3 + axis] = -sign / u
        return np.array([(sign * (plane - camera.position[axis]) - depth) / u]), slopes

    return residuals
