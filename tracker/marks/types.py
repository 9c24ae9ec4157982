"""A painted mark as the picture shows it, and the fit of one.

Mark coordinates m: the centre is (0, 0) and the unit is half the mark's size (a disc has |m| = 1 on
its edge). A mark at position c is seen at c + A m / (1 + p.m): A is `Shape.affine` in pixels, p is
`Shape.perspective`, the first-order term of the plane-to-picture homography. The position is thus
always the image of the true centre of the painted mark, also for a tilted circle.

Quadrant and hourglass: two lines through the centre part light and dark; the `opening` is the angle
of the sectors that lie along the diagonal (1, 1) of the mark coordinates.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import Pattern

Outline = Literal["none", "disc", "square", "flat"]


@dataclass(frozen=True)
class Picture:
    """One picture to measure in."""

    luma: NDArray[Any]
    """(rows, columns) uint8 or uint16, read only; any strides."""
    white: float
    """Grey at which the picture clips."""


def _zeros() -> Array:
    return np.zeros(2)


@dataclass(frozen=True)
class Shape:
    """How one mark looks in one picture, its position left out."""

    pattern: Pattern
    affine: Array
    """(2, 2) px for one unit of the mark coordinates (half the mark's size)."""
    blur: float
    """Standard deviation of the edge blur in px, the pixel's own area not counted."""
    level: float
    """Grey of the ground round the mark, at its centre."""
    contrast: float
    """Grey of the mark less grey of its ground, signed. Quadrant and hourglass: grey of the sectors
    along the diagonal (1, 1) less grey of the others."""
    gradient: Array = field(default_factory=_zeros)
    """(2,) 1/px: the lighting multiplies all greys by 1 + gradient . (pixel - centre)."""
    gradient_u: float = float("inf")
    """Standard uncertainty of each component of `gradient`, 1/px, from the pictures so far.
    One picture hardly distinguishes a small disc's lighting from its place, several do."""
    perspective: Array = field(default_factory=_zeros)
    """(2,) p in c + A m / (1 + p.m); zero without perspective."""
    outline: Outline = "disc"
    """Outer edge of a quadrant or hourglass: none within the window, a circle, a square with sides
    along the dividing lines, or flat ends across the light wedges."""
    offset: float = 0.0
    """Quadrant and hourglass: mean grey of the two kinds of sectors less `level`."""
    opening: float = np.pi / 2
    """Quadrant and hourglass: angle of the diagonal sectors in mark coordinates, rad."""
    radii: tuple[float, ...] = ()
    """Ring: radii of the edges inside the outer one, in mark units."""
    steps: tuple[float, ...] = ()
    """Ring: change of grey inwards at each of `radii`, over `contrast`."""
    bar: float = 0.2
    """Cross: half the width of a bar in mark units."""
    template: NDArray[np.float32] | None = None
    """Patch: cubic B-spline coefficients of the reference picture round the pick."""
    noise: float = 0.0
    """Standard deviation of one pixel's grey found when the mark was located; 0 if unknown."""

    @property
    def size(self) -> float:
        """Outer diameter in px along the longer axis of the seen mark."""
        return 2.0 * float(np.linalg.svd(self.affine, compute_uv=False)[0])


@dataclass(frozen=True)
class Fix:
    """One mark measured in one picture."""

    position: Array
    """(2,) px, middle of the exposure; what the fit reached, of use only if `ok`."""
    covariance: Array
    """(2, 2) px²."""
    shape: Shape
    ratio: float
    """Residual standard deviation over the noise: 1 for a clean fit."""
    contrast: float
    visible: float
    """Fraction of the mark's window that took part with full weight, 0..1."""
    ok: bool
    why: str
    """Empty if `ok`, else what rules the measurement out, as a clause."""


@dataclass(frozen=True)
class Fixes:
    """Several marks measured in one picture; `fixes[i]` is a `Fix`."""

    position: Array  # (n, 2)
    covariance: Array  # (n, 2, 2)
    ratio: Array  # (n,)
    contrast: Array  # (n,)
    visible: Array  # (n,)
    ok: NDArray[np.bool_]  # (n,)
    why: tuple[str, ...]
    shapes: tuple[Shape, ...]

    def __len__(self) -> int:
        return len(self.shapes)

    def __getitem__(self, i: int) -> Fix:
        return Fix(
            self.position[i],
            self.covariance[i],
            self.shapes[i],
            float(self.ratio[i]),
            float(self.contrast[i]),
            float(self.visible[i]),
            bool(self.ok[i]),
            self.why[i],
        )

    def __iter__(self) -> Iterator[Fix]:
        return (self[i] for i in range(len(self)))
