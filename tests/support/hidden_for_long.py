"""A car from above that spins behind smoke for hundreds or thousands of frames and comes to rest.

Camera, targets and marks are those of `small_scene`; what moves the car is known in closed form.
The smoke covers the car and nothing else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np

from tests.support.rendered_film import film_of, finished, ground, paint
from tests.support.small_scene import CAR, FIXED, FOCAL, HEIGHT, MARK, ROOF, SIZE, TARGET, pixel
from tracker.film import Film

BEFORE, AFTER = 40, 80
"""Frames in sight before the smoke, and at rest after it."""
_SMOKES = 7
"""Pictures of smoke, shown in turn."""


@dataclass(frozen=True)
class Rest:
    """Where the car comes to rest: ground axes, m and rad."""

    x: float
    y: float
    yaw: float


def pose(frame: int, hidden: int, rest: Rest) -> tuple[float, float, float]:
    """Ground x, y of the car's origin, m, and its yaw, rad: straight at first, at rest at last."""
    x, y = -2.0 + 0.03 * min(frame, BEFORE), 0.0
    late = float(np.clip((frame - BEFORE) / hidden, 0.0, 1.0))
    late = 1.0 - (1.0 - late) ** 2
    return x + late * (rest.x - x), y + late * (rest.y - y), late * rest.yaw


def places(frame: int, hidden: int, rest: Rest) -> dict[str, np.ndarray]:
    """Where the car's marks are in a picture, px."""
    x, y, yaw = pose(frame, hidden, rest)
    c, s = np.cos(yaw), np.sin(yaw)
    return {
        f"car.{name}": np.array(pixel(x + c * a - s * b, y + s * a + c * b, ROOF))
        for name, (a, b) in CAR.items()
    }


def film_of_a_spin(hidden: int, rest: Rest, unseen: tuple[str, ...] = ()) -> Film:
    """The film; marks in `unseen` stay covered for good."""
    soil = ground(SIZE)
    for x, y in FIXED.values():
        paint(soil, "quadrant", np.array(pixel(x, y)), TARGET * FOCAL / HEIGHT, 0.2)

    @cache
    def smoke(number: int) -> np.ndarray:
        cloud = 150.0 + 0.4 * ground(SIZE, seed=50 + number)
        grey = soil.copy()
        grey[60:260] = cloud[60:260]
        return finished(grey, number, noise=1.0)

    def picture(frame: int) -> np.ndarray:
        if BEFORE <= frame < BEFORE + hidden:
            return smoke(frame % _SMOKES)
        grey = soil.copy()
        yaw = pose(frame, hidden, rest)[2]
        for name, place in places(frame, hidden, rest).items():
            if frame < BEFORE or name not in unseen:
                paint(grey, "quadrant", place, MARK * FOCAL / (HEIGHT - ROOF), 0.1 + yaw)
        return finished(grey, frame, noise=1.0)

    return film_of(picture, BEFORE + hidden + AFTER)


def opening_of(film: Film) -> Callable[..., Film]:
    """What opens that film, whatever its path."""
    return lambda path, **stated: film
