"""What is known of the marks between one frame and the next."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.film import Luma
from tracker.marks import Shape
from tracker.marks.image_model import QUADRANT, RINGS
from tracker.marks.measure import Looks, looks_of
from tracker.marks.packing import Rows, unpack
from tracker.tracking import correlation_search, plausibility

Mask = NDArray[np.bool_]


@dataclass
class State:
    """n marks in the frame last seen; places in px, velocities in px a frame."""

    body: NDArray[np.int64]  # (n,) number of each mark's body
    still: Mask  # (n,) whether the body is the ground
    kind: NDArray[np.int64]  # (n,) number of each mark's pattern
    duty: float  # exposure over the time from frame to frame
    white: float
    frame: int = -1
    helper: Executor | None = None  # a thread that does half of the fits
    place: Array = field(init=False)  # (n, 2) measured, else predicted
    velocity: Array = field(init=False)  # (n, 2)
    known: Mask = field(init=False)  # has a shape to be followed
    held: Mask = field(init=False)  # measured in the last frame
    gap: NDArray[np.int64] = field(init=False)  # frames since it was measured
    fixes: NDArray[np.int64] = field(init=False)  # measurements so far
    size: Array = field(init=False)
    home: Array = field(init=False)  # (n, 2) where marks of the ground were picked, unshaken
    looks: Looks = field(init=False)  # what each looked like when it was last measured clean
    patches: list[correlation_search.Patch | None] = field(init=False)
    patched: NDArray[np.int64] = field(init=False)  # frame of each patch
    layout: Array = field(init=False)  # (n, n, 2) all marks when one was last measured
    layout_held: Mask = field(init=False)  # (n, n) which of them were measured then
    looked: Array = field(init=False)  # (n, n, 4) the inverse affines of all then
    turn: Array = field(init=False)  # (n, 2, 2) how the picture of its body has turned since
    sound: Array = field(init=False)  # (n, n, 2) all marks when one was last measured well
    sound_with: Mask = field(init=False)  # (n, n) which of them were measured well then
    sound_at: NDArray[np.int64] = field(init=False)  # the frame of that
    paint: Array = field(init=False)  # (n, 3) level, contrast, offset at its strongest
    surprise: float = 0.0  # px, mean over the last frames

    def __post_init__(self) -> None:
        n = len(self.body)
        self.place, self.velocity = np.full((n, 2), np.nan), np.zeros((n, 2))
        self.known, self.held = np.zeros(n, bool), np.zeros(n, bool)
        self.gap, self.fixes = np.zeros(n, np.int64), np.zeros(n, np.int64)
        self.patched = np.full(n, -1, np.int64)
        self.size, self.home = np.full(n, np.nan), np.full((n, 2), np.nan)
        blank = [Shape("disc", np.eye(2), 1.0, 0.0, 1.0)] * n
        self.looks, self.patches = looks_of(blank), [None] * n
        self.looked, self.turn = np.full((n, n, 4), np.nan), np.tile(np.eye(2), (n, 1, 1))
        self.layout, self.layout_held = np.full((n, n, 2), np.nan), np.zeros((n, n), bool)

        self.sound, self.sound_with = np.full((n, n, 2), np.nan), np.zeros((n, n), bool)
        self.sound_at, self.paint = np.full(n, -1, np.int64), np.full((n, 3), np.nan)

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
        self._learn(m, shape)
        self.patches[m] = correlation_search.cut(luma, place, shape.size)
        self.patched[m] = self.frame
        self.known[m] = self.held[m] = True
        self.gap[m] = 0

    def _learn(self, m: int, shape: Shape) -> None:
        """Mark m looks like this."""
        new, rows = looks_of([shape]), self.looks.rows
        kinds, at = rows.kinds.copy(), rows.template_at.copy()
        p, q = rows.p.copy(), rows.q.copy()
        kinds[m], p[m], q[m] = new.rows.kinds[0], new.rows.p[0], new.rows.q[0]
        at[m] = new.rows.template_at[0] + len(rows.templates)
        joined = np.concatenate([rows.templates, new.rows.templates])
        noise, light = self.looks.noise.copy(), self.looks.gradient_u.copy()
        noise[m], light[m] = new.noise[0], new.gradient_u[0]
        self.looks = Looks(Rows(kinds, p, q, joined, at), noise, light)
        self.size[m], self.paint[m] = shape.size, new.rows.p[0, [7, 8, 11]]

    def shift(self, ground: Mask, place: Array) -> Array:
        """How far the picture has shaken from where the ground's marks were picked, px."""
        return plausibility.shift_of(place, self.home, ground)

    def remember(self, vanished: Mask) -> None:
        """Keep where everything was when these were last measured."""
        for m in np.flatnonzero(vanished).tolist():
            self.layout[m], self.layout_held[m] = self.place, self.held
            self.looked[m] = self.looks.rows.p[:, 2:6]

    def look(self, index: NDArray[np.int64]) -> Looks:
        """How these marks must look now: as when they were last measured; hidden ones turned with
        their body, and as strong as they ever were: smoke may have dimmed them.
        """
        rows = self.looks.rows
        p = rows.p[index]
        turned = self.gap[index] > 0
        if turned.any():
            W = p[turned, 2:6].reshape(-1, 2, 2) @ np.linalg.inv(self.turn[index[turned]])
            p[turned, 2:6] = W.reshape(-1, 4)
            dim = np.flatnonzero(turned & (np.abs(p[:, 8]) < np.abs(self.paint[index, 1])))
            p[dim, 7:9] = self.paint[index[dim], :2]
            dim = dim[rows.kinds[index[dim]] == QUADRANT]
            p[dim, 11] = self.paint[index[dim], 2]
        return Looks(rows.take(index, p), self.looks.noise[index], self.looks.gradient_u[index])

    def shape(self, m: int, base: Shape) -> Shape:
        """What mark m looks like now; `base` gives what never changes."""
        looks = self.looks
        return unpack(base, looks.rows.p[m], float(looks.noise[m]), float(looks.gradient_u[m]))

    def relearn(self, index: NDArray[np.int64], p: Array, gradient_u: Array) -> None:
        """These marks look like this now."""
        self.looks.rows.p[index] = p
        self.looks.gradient_u[index] = gradient_u

    def turned(self, m: int, mate: int) -> Array:
        """Turn (2, 2) of the picture since m was last measured, as another mark's looks tell it."""
        then, now = self.looked[m, mate], self.looks.rows.p[mate, 2:6]
        if self.looks.rows.kinds[mate] == RINGS or not np.isfinite(then).all():
            return np.eye(2)
        return np.asarray(np.linalg.inv(now.reshape(2, 2)) @ then.reshape(2, 2))

    def well(self, sound: Mask, place: Array) -> None:
        """Keep where everything was when these marks were last measured well."""
        self.sound[sound], self.sound_with[sound] = place, sound
        self.sound_at[sound] = self.frame

    def brighten(self, seen: Mask) -> None:
        """Keep how marks looked that show more contrast than they ever did."""
        now = self.looks.rows.p[:, [7, 8, 11]]
        more = seen & (np.abs(now[:, 1]) > np.abs(self.paint[:, 1]))
        self.paint[more] = now[more]

    def mates(self, m: int, got: Mask) -> Mask:
        """Marks of m's body that are seen now and were seen with it."""
        return np.asarray(got & self.layout_held[m] & (self.body == self.body[m]))
