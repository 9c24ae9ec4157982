"""A car from above that spins behind smoke for hundreds or thousands of frames and comes to rest.

Camera, targets and marks are those of `small_scene`; what moves the car is known in closed form.
The smoke covers the car and nothing else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from tests.support.rendered_film import film_of, finished, ground, paint
from tests.support.small_scene import (
    CAR,
    FIXED,
    FOCAL,
    HEIGHT,
    MARK,
    ROOF,
    SIZE,
    TARGET,
    pixel,
    record_text,
)
from tracker.film import Film
from tracker.record.load import load_record
from tracker.record.schema import Record

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


def pose(frame: float, hidden: int, rest: Rest) -> tuple[float, float, float]:
    """Ground x, y of the car's origin, m, and its yaw, rad: straight on at first, slowed down
    behind the smoke, where it drifts and spins, and at rest at last.
    """
    x, y = -2.0, 0.0
    speed = 2.0 * (rest.x - x) / hidden  # m a frame: evenly slowed down it stops at its place
    s = float(np.clip((frame - BEFORE) / hidden, 0.0, 1.0))
    if frame < BEFORE:
        return x + speed * (frame - BEFORE), y, 0.0
    swing = s * s * (3.0 - 2.0 * s)
    return x + (rest.x - x) * s * (2.0 - s), y + (rest.y - y) * swing, rest.yaw * swing


def places(frame: int, hidden: int, rest: Rest) -> dict[str, np.ndarray]:
    """Where the car's marks are in a picture, px."""
    x, y, yaw = pose(frame, hidden, rest)
    c, s = np.cos(yaw), np.sin(yaw)
    return {
        f"car.{name}": np.array(pixel(x + c * a - s * b, y + s * a + c * b, ROOF))
        for name, (a, b) in CAR.items()
    }


def film_of_a_spin(
    hidden: int, rest: Rest, unseen: tuple[str, ...] = (), after: int = AFTER
) -> Film:
    """The film; marks in `unseen` stay covered for good, and it goes on for `after` frames after
    the smoke.
    """
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

    return film_of(picture, BEFORE + hidden + after)


def spin_record(folder: Path, hidden: int, rest: Rest, but: tuple[str, ...] = ()) -> Record:
    """The test's record, with a pick of each mark `but` some in the first frame."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "above.mp4").write_bytes(b"never read")
    (folder / "record.toml").write_text(record_text(), encoding="utf-8")
    record = load_record(folder / "record.toml")
    camera, car = record.cameras["above"], record.vehicles["car"]
    start = places(0, hidden, rest)
    picks = {
        name: pick.model_copy(update={"pixel": tuple(start[name] + 1.0)})
        for name, pick in camera.picks.items()
        if name not in but
    }
    markers = {n: m for n, m in car.markers.items() if f"car.{n}" not in but}
    return record.model_copy(
        update={
            "cameras": {"above": camera.model_copy(update={"picks": picks})},
            "vehicles": {"car": car.model_copy(update={"markers": markers})},
        }
    )


def opening_of(film: Film) -> Callable[..., Film]:
    """What opens that film, whatever its path."""
    return lambda path, **stated: film
