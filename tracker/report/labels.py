"""Where the names of marks stand beside them, so that none covers another or a mark."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array

LETTER, TALL = 8, 11  # px of a letter at the size that marks are named in
OFF = 13  # px from a mark to its name
OWN = 11  # px about a mark that no name may cover


def label_places(
    places: Array, names: Sequence[str], picture: NDArray[np.uint8]
) -> list[tuple[int, int]]:
    """Lower left corners (whole px) of the names of marks at `places` (n, 2).

    Right, left, above and below of its mark, then farther off, are tried in this order; the first
    that covers neither a mark nor an earlier name stands, else the one that covers least.
    """
    height, width = picture.shape[:2]
    taken = [np.array([u - OWN, v - OWN, u + OWN, v + OWN]) for u, v in places]
    chosen = []
    for (u, v), name in zip(places, names, strict=True):
        own = np.array([u - OWN, v - OWN, u + OWN, v + OWN])
        others = np.array([box for box in taken if not np.array_equal(box, own)]).reshape(-1, 4)
        boxes = [_box(u, v, du, dv, LETTER * len(name)) for du, dv in DIRECTIONS]
        costs = [_covered(box, others) + _outside(box, width, height) for box in boxes]
        best = boxes[int(np.argmin(costs))]
        taken.append(best)
        chosen.append((round(float(best[0])), round(float(best[3]))))
    return chosen


DIRECTIONS = tuple(
    (du * scale, dv * scale)
    for scale in (1.0, 2.0, 3.0)
    for du, dv in ((1, -0.3), (-1, -0.3), (1, -1), (-1, -1), (1, 1), (-1, 1), (0, -1.3), (0, 1.3))
)


def _box(u: float, v: float, du: float, dv: float, wide: float) -> Array:
    """Left, top, right and bottom of a name in a direction from its mark."""
    left = u + OFF * du - (wide if du < 0 else wide / 2 if du == 0 else 0.0)
    bottom = v + OFF * dv + TALL / 2
    return np.array([left, bottom - TALL, left + wide, bottom])


def _covered(box: Array, others: Array) -> float:
    """Area that a box shares with others (n, 4), px^2."""
    wide = np.minimum(box[2], others[:, 2]) - np.maximum(box[0], others[:, 0])
    tall = np.minimum(box[3], others[:, 3]) - np.maximum(box[1], others[:, 1])
    return float(np.sum(np.clip(wide, 0, None) * np.clip(tall, 0, None)))


def _outside(box: Array, width: int, height: int) -> float:
    """Area of a box that lies beyond the picture, px^2."""
    wide = min(box[2], width) - max(box[0], 0.0)
    tall = min(box[3], height) - max(box[1], 0.0)
    return float((box[2] - box[0]) * (box[3] - box[1]) - max(wide, 0.0) * max(tall, 0.0))
