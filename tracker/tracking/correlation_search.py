"""Coarse search: where the last clean picture of a mark correlates best, to a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.film import Luma
from tracker.tracking.options import TRACKING

Reach = tuple[int, int]
"""Pixels to either side, u and v."""


@dataclass(frozen=True)
class ReferencePicture:
    """A mark's picture, cut out about its centre."""

    grey: NDArray[np.float32]  # (2 h + 1, 2 w + 1) float32
    shift: Array  # (2,) px: the mark's centre less the middle pixel


def reference_picture(luma: Luma, centre: Array, size: float) -> ReferencePicture | None:
    """The picture of a mark of this size (px), of a large one its middle; None where it isn't
    wholly inside.
    """
    half = int(min(size / 2 + TRACKING.reference_ground, TRACKING.reference_half)) + 1
    u, v = round(float(centre[0])), round(float(centre[1]))
    rows, columns = luma.shape
    if u < half or v < half or u + half >= columns or v + half >= rows:
        return None
    grey = luma[v - half : v + half + 1, u - half : u + half + 1].astype(np.float32)
    return ReferencePicture(grey, centre - (u, v))


def turn_picture(patch: ReferencePicture, turn: Array) -> ReferencePicture:
    """The picture of a mark turned (2, 2) about its centre; as it is if nothing moves a pixel."""
    off = float(np.max(np.abs(turn - np.eye(2))))
    area = float(np.linalg.det(turn))
    if off * len(patch.grey) < 1.0:
        return patch
    if not TRACKING.least_area_change < area < TRACKING.most_area_change:
        return patch
    middle = len(patch.grey) // 2 + patch.shift
    matrix = np.column_stack([turn, middle - turn @ middle])
    size = patch.grey.shape[::-1]
    grey = cv2.warpAffine(patch.grey, matrix, size, borderMode=cv2.BORDER_REPLICATE)
    return ReferencePicture(np.asarray(grey, np.float32), patch.shift)


def correlation_map(
    luma: Luma, patch: ReferencePicture, centre: Array, reach: int | Reach
) -> Array:
    """Normalised correlation (2 reach v + 1, 2 reach u + 1) of a patch, shifted about a place.

    `reach` is one number or (u, v). Element (reach v + j, reach u + i) belongs to a mark i px right
    of and j px below `centre` (rounded to whole pixels). Shifts for which the patch isn't wholly in
    the picture get 0.
    """
    across, down = _reach_of_axes(reach)
    found = np.zeros((2 * down + 1, 2 * across + 1))
    half = len(patch.grey) // 2
    u, v = (round(float(x)) for x in centre - patch.shift)
    rows, columns = luma.shape
    left, top = max(u - across - half, 0), max(v - down - half, 0)
    right, bottom = min(u + across + half + 1, columns), min(v + down + half + 1, rows)
    if right - left < 2 * half + 1 or bottom - top < 2 * half + 1:
        return found
    window = luma[top:bottom, left:right].astype(np.float32)
    got = cv2.matchTemplate(window, patch.grey, cv2.TM_CCOEFF_NORMED)
    got = np.where(np.isfinite(got) & (np.abs(got) <= 1.001), got, 0.0)
    j, i = top - (v - down - half), left - (u - across - half)
    found[j : j + got.shape[0], i : i + got.shape[1]] = got
    return found


def _reach_of_axes(reach: int | Reach) -> Reach:
    return (reach, reach) if isinstance(reach, int) else reach


def best_shift(
    score: Array, reach: int | Reach, about: Array, within: int | Reach
) -> tuple[Array, float]:
    """Shift (2,) px of the best score near a shift, and that score.

    Farther shifts count a little less, so that of equals the nearest is taken.
    """
    (across, down), (wide, high) = _reach_of_axes(reach), _reach_of_axes(within)
    i = int(np.clip(round(float(about[0])), -across, across))
    j = int(np.clip(round(float(about[1])), -down, down))
    top, left = max(down + j - high, 0), max(across + i - wide, 0)
    part = score[top : down + j + high + 1, left : across + i + wide + 1]
    dy = (np.arange(top, top + part.shape[0])[:, None] - (down + j)) / max(high, 1)
    dx = (np.arange(left, left + part.shape[1])[None, :] - (across + i)) / max(wide, 1)
    graded = part - TRACKING.distance_penalty * (dx * dx + dy * dy)
    at = np.unravel_index(int(np.argmax(graded)), graded.shape)
    shift = np.array([left + at[1] - across, top + at[0] - down], float)
    return shift, float(part[at])


def common_score(scores: list[Array], near: int) -> Array:
    """How well marks agree on a common shift, each allowed `near` px of its own."""
    around = np.ones((2 * near + 1, 2 * near + 1), np.uint8)
    return np.asarray(np.mean([cv2.dilate(np.maximum(s, 0.0), around) for s in scores], axis=0))


def rival_score(agreed: Array, reach: Reach, chosen: Array, apart: float) -> float:
    """The best consensus of shifts farther than `apart` px from the one taken (2,); 0 if none."""
    rows, columns = agreed.shape
    dy = np.arange(rows)[:, None] - reach[1] - chosen[1]
    dx = np.arange(columns)[None, :] - reach[0] - chosen[0]
    return float(np.max(agreed[dx * dx + dy * dy > apart * apart], initial=0.0))
