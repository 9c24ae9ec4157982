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
    at = np.asarray(places, dtype=float).reshape(-1, 2)
    own = np.hstack([at - OWN, at + OWN])
    boxes = _boxes(at, LETTER * np.array([len(name) for name in names], dtype=float))
    is_other = (own[:, None] != own).any(axis=2)
    cost = np.sum(_overlap_areas(boxes[:, :, None], own) * is_other[:, None], axis=2)
    cost += _outside(boxes, width, height)
    best = np.empty((len(at), 4))
    for i, (each, covered) in enumerate(zip(boxes, cost, strict=True)):
        named = _overlap_areas(each[:, None], best[:i]).sum(axis=1)
        best[i] = each[np.argmin(covered + named)]
    return [(round(float(left)), round(float(bottom))) for left, _, _, bottom in best]


DIRECTIONS = tuple(
    (du * scale, dv * scale)
    for scale in (1.0, 2.0, 3.0)
    for du, dv in ((1, -0.3), (-1, -0.3), (1, -1), (-1, -1), (1, 1), (-1, 1), (0, -1.3), (0, 1.3))
)


def _boxes(at: Array, wide: Array) -> Array:
    """Left, top, right and bottom (n, directions, 4) of names `wide` (n,) beside marks (n, 2)."""
    du, dv = np.array(DIRECTIONS).T
    back = np.where(du < 0, 1.0, np.where(du == 0, 0.5, 0.0))
    left = at[:, :1] + OFF * du - wide[:, None] * back
    bottom = at[:, 1:] + OFF * dv + TALL / 2
    return np.stack([left, bottom - TALL, left + wide[:, None], bottom], axis=2)


def _overlap_areas(boxes: Array, others: Array) -> Array:
    """Areas (...) that boxes (..., 4) share with others (..., 4), px^2."""
    wide = np.minimum(boxes[..., 2], others[..., 2]) - np.maximum(boxes[..., 0], others[..., 0])
    tall = np.minimum(boxes[..., 3], others[..., 3]) - np.maximum(boxes[..., 1], others[..., 1])
    return np.asarray(np.maximum(wide, 0.0) * np.maximum(tall, 0.0))


def _outside(boxes: Array, width: int, height: int) -> Array:
    """Areas (...) of boxes (..., 4) that lie beyond the picture, px^2."""
    picture = np.array([0.0, 0.0, width, height])
    whole = (boxes[..., 2] - boxes[..., 0]) * (boxes[..., 3] - boxes[..., 1])
    return np.asarray(whole - _overlap_areas(boxes, picture))
