"""What is known of the marks between one frame and the next."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.film import Luma
from tracker.follow import search
from tracker.follow.layout import middle
from tracker.marks import Shape

Mask = NDArray[np.bool_]
_ORIENTED = ("quadrant", "hourglass", "cross", "patch")


@dataclass
class State:
    """n marks in the frame last seen; places in px, velocities in px a frame."""

    body: NDArray[np.int64]  # (n,) number of each mark's body
    still: Mask  # (n,) whether the body is the ground
    kind: NDArray[np.int64]  # (n,) number of each mark's pattern
    duty: float  # exposure over the time from frame to frame
    white: float
    frame: int = -1
    place: Array = field(init=False)  # (n, 2) measured, else predicted
    velocity: Array = field(init=False)  # (n, 2)
    known: Mask = field(init=False)  # has a shape to be followed
    held: Mask = field(init=False)  # measured in the last frame
    gap: NDArray[np.int64] = field(init=False)  # frames since it was measured
    fixes: NDArray[np.int64] = field(init=False)  # measurements so far
    size: Array = field(init=False)
    home: Array = field(init=False)  # (n, 2) where marks of the ground were picked, unshaken
    shapes: list[Shape | None] = field(init=False)
    patches: list[search.Patch | None] = field(init=False)
    patched: NDArray[np.int64] = field(init=False)  # frame of each patch
    layout: Array = field(init=False)  # (n, n, 2) all marks when one was last measured
    layout_held: Mask = field(init=False)  # (n, n) which of them were measured then
    looks: list[list[Shape | None]] = field(init=False)  # all shapes then
    turn: Array = field(init=False)  # (n, 2, 2) how the picture of its body has turned since
    surprise: float = 0.0  # px, mean over the last frames

    def __post_init__(self) -> None:
        n = len(self.body)
        self.place, self.velocity = np.full((n, 2), np.nan), np.zeros((n, 2))
        self.known, self.held = np.zeros(n, bool), np.zeros(n, bool)
        self.gap, self.fixes = np.zeros(n, np.int64), np.zeros(n, np.int64)
        self.patched = np.full(n, -1, np.int64)
        self.size, self.home = np.full(n, np.nan), np.full((n, 2), np.nan)
        self.shapes, self.patches = [None] * n, [None] * n
        self.looks, self.turn = [[None] * n for _ in range(n)], np.tile(np.eye(2), (n, 1, 1))
        self.layout, self.layout_held = np.full((n, n, 2), np.nan), np.zeros((n, n), bool)

    def anchor(
        self, m: int, luma: Luma, place: Array, shape: Shape, velocity: Array | None
    ) -> None:
        """Mark m is at this place of the present frame, looks like this and moves so."""
        mates = self.held & (self.body == self.body[m]) & (self.fixes > 1)
        mates[m] = False
        self.fixes[m] = 1 if velocity is None and not mates.any() else 2
        if velocity is None:
            velocity = np.mean(self.velocity[mates], axis=0) if mates.any() else np.zeros(2)
        self.place[m], self.velocity[m] = place, np.zeros(2) if self.still[m] else velocity
        self.home[m] = place - self.shift(self.held & self.still, self.place)
        self.shapes[m], self.size[m] = shape, shape.size
        self.patches[m] = search.cut(luma, place, shape.size)
        self.patched[m] = self.frame
        self.known[m] = self.held[m] = True
        self.gap[m] = 0

    def shift(self, ground: Mask, place: Array) -> Array:
        """How far the picture has shaken from where the ground's marks were picked, px."""
        known = ground & np.isfinite(self.home[:, 0])
        if not known.any():
            return np.zeros(2)
        return middle((place - self.home)[known])

    def forget(self, m: int) -> None:
        """Follow mark m no more."""
        self.known[m] = self.held[m] = False

    def remember(self, vanished: Mask) -> None:
        """Keep where everything was when these were last measured."""
        for m in np.flatnonzero(vanished).tolist():
            self.layout[m], self.layout_held[m] = self.place, self.held
            self.looks[m] = list(self.shapes)

    def look(self, m: int) -> Shape | None:
        """How mark m must look now: as when it was last measured, turned with its body."""
        shape = self.shapes[m]
        if shape is None or self.gap[m] == 0:
            return shape
        return replace(shape, affine=self.turn[m] @ shape.affine)

    def turned(self, m: int, mate: int) -> Array:
        """Turn (2, 2) of the picture since m was last measured, as another mark's looks tell it."""
        then, now = self.looks[m][mate], self.shapes[mate]
        if then is None or now is None or now.pattern not in _ORIENTED:
            return np.eye(2)
        return np.asarray(now.affine @ np.linalg.inv(then.affine))

    def mates(self, m: int, got: Mask) -> Mask:
        """Marks of m's body that are seen now and were seen with it."""
        return np.asarray(got & self.layout_held[m] & (self.body == self.body[m]))
