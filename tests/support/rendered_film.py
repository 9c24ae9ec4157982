"""Films rendered in memory: painted marks moving over a textured ground, with the truth beside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np

from tracker.film import Film
from tracker.film.findings import FaultLog
from tracker.film.opened import Frames

OVER = 4
"""Samples a pixel side: area sampling of hard edges, no formula shared with the fits."""


@dataclass(frozen=True)
class InMemory:
    """A source of frames that are computed when they are asked for."""

    picture: Callable[[int], np.ndarray]
    frames: int
    starts: tuple[int, ...] = (0,)
    faults: FaultLog = field(default_factory=FaultLog)

    def read(self, first: int) -> Frames:
        for index in range(first, self.frames):
            yield index, self.picture(index)


def film_of(picture: Callable[[int], np.ndarray], frames: int) -> Film:
    """A film whose frame i is picture(i)."""
    first = picture(0)
    return Film(
        path="rendered",
        where="rendered",
        frames=frames,
        size=(first.shape[1], first.shape[0]),
        bits=8,
        stamps=np.full(frames, np.nan),
        rate=1000.0,
        source=InMemory(picture, frames, tuple(range(frames))),
        findings=[],
    )


def ground(size: tuple[int, int], seed: int = 0) -> np.ndarray:
    """Concrete-like texture, mean grey 90."""
    rng = np.random.default_rng(seed)
    coarse = cv2.GaussianBlur(rng.normal(0, 60, size[::-1]), (0, 0), 5)
    fine = cv2.GaussianBlur(rng.normal(0, 8, size[::-1]), (0, 0), 1.2)
    return np.asarray(90 + coarse + fine)


def paint(
    picture: np.ndarray,
    pattern: str,
    centre: np.ndarray,
    size: float,
    turn: float = 0.0,
    over: int = OVER,
) -> None:
    """Paint one mark, 20 grey and 210 grey, into a float picture by area sampling."""
    half = int(np.ceil(size / 2)) + 2
    u, v = (int(np.floor(x + 0.5)) for x in centre)
    left, top = u - half, v - half
    n = 2 * half + 1
    rows, columns = picture.shape
    if left < -n or top < -n or left > columns or top > rows:
        return
    grid = (np.arange(n * over) + 0.5) / over - 0.5
    x = grid[None, :] + left - centre[0]
    y = grid[:, None] + top - centre[1]
    c, s = np.cos(turn), np.sin(turn)
    x, y = c * x + s * y, -s * x + c * y
    inside = x * x + y * y < size * size / 4
    if pattern == "disc":
        grey = np.where(inside, 210.0, 0.0)
    else:
        grey = np.where(inside, np.where(x * y > 0, 210.0, 20.0), 0.0)
    block = (n, over, n, over)
    share = inside.reshape(block).mean(axis=(1, 3))
    mean = grey.reshape(block).mean(axis=(1, 3))
    t, b, lt, r = max(top, 0), min(top + n, rows), max(left, 0), min(left + n, columns)
    if t >= b or lt >= r:
        return
    part = (slice(t - top, b - top), slice(lt - left, r - left))
    picture[t:b, lt:r] = picture[t:b, lt:r] * (1 - share[part]) + mean[part]


def finished(picture: np.ndarray, frame: int, blur: float = 0.7, noise: float = 2.0) -> np.ndarray:
    """Through the lens and onto the sensor: blurred, noisy, rounded to 8 bits."""
    rng = np.random.default_rng([frame, 7])
    soft = cv2.GaussianBlur(picture, (0, 0), blur)
    return np.clip(np.rint(soft + rng.normal(0, noise, soft.shape)), 0, 255).astype(np.uint8)
