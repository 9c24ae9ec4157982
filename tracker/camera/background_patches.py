"""Patches of the background, followed through a film that shows no fixed target.

What doesn't move behind the vehicles shows how the picture moves as painted targets do, if less
well: corners of texture are chosen outside the vehicles' surroundings in one frame and found again
in every other by optical flow from that frame, so that errors don't add up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.constants import MAD_TO_SD
from tracker.camera.options import BACKGROUND
from tracker.core.types import Tracks
from tracker.film import Film
from tracker.film.luma import eight_bits

_STOP = (
    cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT,
    BACKGROUND.flow_steps,
    BACKGROUND.flow_step_px,
)


@dataclass(frozen=True)
class BackgroundPatches:
    """Where patches of the background are seen, as `stabilise` takes targets."""

    names: tuple[str, ...]
    position: Array  # (frames, n, 2) px, NaN where not seen
    covariance: Array  # (frames, n, 2, 2) px^2


def find_background(film: Film, tracks: Tracks) -> BackgroundPatches | None:
    """The background's patches in every frame; None where there aren't enough of them that agree
    on one motion of the picture.
    """
    middle = film.frames // 2
    first = eight_bits(film.frame(middle), film.bits)
    corners = _corners(first, _vehicle_mask(tracks, film.size))
    if len(corners) < BACKGROUND.fewest:
        return None
    shape = _relative_covariances(first, corners)
    position = np.full((film.frames, len(corners), 2), np.nan)
    for frame, luma in film.forward():
        position[frame] = _patch_places(first, eight_bits(luma, film.bits), corners)
    residual = _residuals(position, corners)
    agree: NDArray[np.bool_] = np.asarray(np.isfinite(residual).all(axis=2))
    position[~agree] = np.nan
    agreeing_mask = agree.mean(axis=0) >= BACKGROUND.frames_share
    if agreeing_mask.any():
        scatter = np.sqrt(np.nanmean(residual[:, agreeing_mask] ** 2, axis=(0, 2)))
        agreeing_mask[agreeing_mask] = scatter < BACKGROUND.scatter_ratio * np.median(scatter)
    extent = np.ptp(corners[agreeing_mask], axis=0) if agreeing_mask.any() else np.zeros(2)
    steady_share = (
        agree[:, agreeing_mask].sum(axis=1)
        >= BACKGROUND.frames_share * max(agreeing_mask.sum(), BACKGROUND.fewest)
    ).mean()
    if (
        agreeing_mask.sum() < BACKGROUND.fewest
        or steady_share < BACKGROUND.frames_share
        or (extent < BACKGROUND.extent * np.array(film.size)).any()
    ):
        return None
    names = tuple(f"background {k + 1}" for k in range(int(agreeing_mask.sum())))
    noise = max(
        BACKGROUND.least_noise_px,
        MAD_TO_SD * float(np.nanmedian(np.abs(residual[:, agreeing_mask]))),
    )
    covariance = noise**2 * shape[agreeing_mask] / np.mean(shape[agreeing_mask][:, [0, 1], [0, 1]])
    spread = np.broadcast_to(covariance, (film.frames, *covariance.shape))
    return BackgroundPatches(names, position[:, agreeing_mask], np.array(spread))


def _vehicle_mask(tracks: Tracks, size: tuple[int, int]) -> NDArray[np.uint8]:
    """A mask (height, width) that is 0 wherever a vehicle is seen in some frame."""
    mask = np.full((size[1], size[0]), 255, dtype=np.uint8)
    names = [mark.vehicle for mark in tracks.marks]
    for vehicle in set(names):
        which = [i for i, name in enumerate(names) if name == vehicle]
        for seen in tracks.position[:, which]:
            marks = seen[np.isfinite(seen).all(axis=1)]
            if not len(marks):
                continue
            low, high = marks.min(axis=0), marks.max(axis=0)
            margin = np.maximum(
                BACKGROUND.vehicle_margin * (high - low).max(), BACKGROUND.least_margin * size[0]
            )
            (u0, v0), (u1, v1) = np.rint(low - margin), np.rint(high + margin)
            mask[max(0, int(v0)) : max(0, int(v1)), max(0, int(u0)) : max(0, int(u1))] = 0
    return mask


def _corners(grey: NDArray[np.uint8], mask: NDArray[np.uint8]) -> Array:
    """Corners (n, 2) of the texture under the mask: the best of each cell of a grid."""
    half, margin = BACKGROUND.half_side, 2 * BACKGROUND.half_side
    mask = mask.copy()
    mask[:margin], mask[-margin:], mask[:, :margin], mask[:, -margin:] = 0, 0, 0, 0
    found = cv2.goodFeaturesToTrack(
        grey,
        BACKGROUND.corners_tried * BACKGROUND.patches,
        BACKGROUND.corner_quality,
        2 * half,
        mask=mask,
        blockSize=BACKGROUND.corner_block,
    )
    if found is None:
        return np.empty((0, 2))
    corners = np.asarray(found, dtype=np.float64).reshape(-1, 2)
    across = int(np.ceil(np.sqrt(BACKGROUND.patches)))
    cell = np.array([grey.shape[1], grey.shape[0]]) / across
    best: dict[tuple[int, int], int] = {}
    for k, corner in enumerate(corners):  # they come best first
        u, v = (corner // cell).astype(int).tolist()
        best.setdefault((u, v), k)
    return corners[sorted(best.values())]


def _relative_covariances(grey: NDArray[np.uint8], corners: Array) -> Array:
    """Inverse structure tensors (n, 2, 2): covariance of each patch's place, but for a factor."""
    gu, gv = (cv2.Sobel(grey, cv2.CV_64F, *order, ksize=3) / 8 for order in ((1, 0), (0, 1)))
    half, tensors = BACKGROUND.half_side, []
    for u, v in np.rint(corners).astype(int).tolist():
        part = slice(v - half, v + half + 1), slice(u - half, u + half + 1)
        slopes = np.column_stack([gu[part].ravel(), gv[part].ravel()])
        tensors.append(np.linalg.inv(slopes.T @ slopes + BACKGROUND.texture_floor * np.eye(2)))
    return np.array(tensors)


def _patch_places(first: NDArray[np.uint8], grey: NDArray[np.uint8], corners: Array) -> Array:
    """The patches' places (n, 2) in another frame; NaN where the flow back ends elsewhere."""
    place, seen = _flow(first, grey, corners)
    back, returned = _flow(grey, first, place)
    good = seen & returned & (np.linalg.norm(back - corners, axis=1) < BACKGROUND.return_px)
    return np.where(good[:, None], place, np.nan)


def _flow(
    first: NDArray[np.uint8], second: NDArray[np.uint8], start: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """Where patches round `start` (n, 2) are in a second picture, and whether they were found."""
    points = start.astype(np.float32)[:, None]
    flow: Any = cv2.calcOpticalFlowPyrLK
    side = 2 * BACKGROUND.half_side + 1
    there, seen, _ = flow(
        first,
        second,
        points,
        None,
        winSize=(side, side),
        maxLevel=BACKGROUND.pyramid_levels,
        criteria=_STOP,
    )
    return np.asarray(there, dtype=np.float64)[:, 0], np.asarray(seen[:, 0] == 1)


def _residuals(position: Array, corners: Array) -> Array:
    """Residuals (frames, n, 2), px, of each patch from the motion that most of a frame's patches
    share; NaN where a patch takes no part in it.
    """
    residual = np.full_like(position, np.nan)
    for frame, seen in enumerate(position):
        there = np.flatnonzero(np.isfinite(seen).all(axis=1))
        if len(there) < BACKGROUND.fewest:
            continue
        matrix, inside = cv2.estimateAffinePartial2D(
            corners[there], seen[there], ransacReprojThreshold=BACKGROUND.agreement_px
        )
        if matrix is None or inside.sum() < BACKGROUND.fewest:
            continue
        part = there[inside[:, 0] == 1]
        residual[frame, part] = seen[part] - corners[part] @ matrix[:, :2].T - matrix[:, 2]
    return residual
