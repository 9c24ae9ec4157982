"""The undeformed traffic face of a test article: places along it and square to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array


@dataclass(frozen=True)
class TrafficFace:
    """A line on the ground, seen from above.

    `heading` is its direction against ground x, rad, to the right +. `offset` is its distance from
    the ground origin, m, square to it, + to the right of `heading`. `side` is 1 where the article
    stands to the right of the traffic, -1 to the left.
    """

    heading: float
    offset: float
    side: float = 1.0

    @property
    def direction(self) -> Array:
        """Unit vector (2,) along the face, ground axes."""
        return np.array([np.cos(self.heading), np.sin(self.heading)])

    @property
    def inward(self) -> Array:
        """Unit vector (2,) square to the face, from the traffic into the article, ground axes."""
        return self.side * np.array([-np.sin(self.heading), np.cos(self.heading)])

    def along(self, points: Array) -> Array:
        """Places (...) along the face of ground points (..., 2 or 3), m from the ground origin."""
        return np.asarray(points[..., :2] @ self.direction)

    def behind(self, points: Array) -> Array:
        """Distances (...) of ground points (..., 2 or 3) behind the face, m; negative on the
        traffic side.
        """
        return np.asarray(points[..., :2] @ self.inward - self.side * self.offset)

    def place(self, along: float, behind: float) -> Array:
        """The ground point (2,) at these distances, m."""
        return np.asarray(along * self.direction + (behind + self.side * self.offset) * self.inward)
