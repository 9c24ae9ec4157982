"""A calibration board, plain or with markers in its light squares, found in a picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.board.dictionaries import DICTIONARIES
from calibration.board.options import OPTICS
from calibration.errors import RECORD, CalibrationError

Grey = NDArray[Any]
_REFINE = (
    cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER,
    OPTICS.refine_steps,
    OPTICS.refine_step_px,
)


@dataclass(frozen=True)
class Board:
    """A chessboard, or one with markers in its light squares (ChArUco), which may be seen in part.

    `inner_corners` are where four squares meet, along the rows and the columns; `square` and
    `marker` are sides, m (the lens doesn't depend on their scale); `marker` None: plain.
    """

    inner_corners: tuple[int, int]
    square: float
    marker: float | None = None
    dictionary: str = DICTIONARIES[0]

    @property
    def grid(self) -> Array:
        """The inner corners (n, 3), row by row, m."""
        columns, rows = self.inner_corners
        grid = np.zeros((columns * rows, 3))
        grid[:, :2] = self.square * np.mgrid[:columns, :rows].T.reshape(-1, 2)
        return grid


@dataclass(frozen=True)
class Sighting:
    """Corners of the board found in one picture."""

    name: str
    points: Array  # (k, 3) m, in the board's plane
    corners: Array  # (k, 2) px


def find_board(name: str, picture: Grey, board: Board) -> Sighting | None:
    """The board's corners in a grey picture (height, width), 8 or 16 bits; None where it isn't
    seen. A plain board must be in view entirely.
    """
    if board.marker is None:
        corners = _whole_board_corners(picture, board.inner_corners)
        return None if corners is None else Sighting(name, board.grid, corners)
    for old_pattern in (False, True):  # boards printed before 2022 begin with the other colour
        found, index, _, _ = _detector(board, old_pattern).detectBoard(picture)
        if index is None or len(index) < OPTICS.fewest_corners:
            continue
        points = board.grid[np.asarray(index).ravel()]
        if min(len(np.unique(points[:, 0])), len(np.unique(points[:, 1]))) >= 2:
            return Sighting(name, points, np.asarray(found, dtype=np.float64).reshape(-1, 2))
    return None


def _detector(board: Board, old_pattern: bool) -> Any:
    columns, rows = (n + 1 for n in board.inner_corners)
    number = getattr(cv2.aruco, f"DICT_{board.dictionary.upper()}")
    markers = cv2.aruco.getPredefinedDictionary(number)
    assert board.marker is not None
    pattern = cv2.aruco.CharucoBoard((columns, rows), board.square, board.marker, markers)
    pattern.setLegacyPattern(old_pattern)
    return cv2.aruco.CharucoDetector(pattern)


def check_board(board: Board, where: str) -> None:
    """Raise CalibrationError for a board that can't exist."""
    if board.marker is None:
        return
    if board.dictionary not in DICTIONARIES:
        raise CalibrationError(
            f"{board.dictionary!r} is no dictionary of markers",
            where=where,
            remedy=f"name one of {', '.join(DICTIONARIES)}",
            status=RECORD,
        )
    needed = (board.inner_corners[0] + 1) * (board.inner_corners[1] + 1) // 2
    available = int(board.dictionary.rsplit("_", 1)[1])
    if board.marker >= board.square or needed > available:
        what = (
            f"a marker of {1e3 * board.marker:g} mm doesn't fit into a square of "
            f"{1e3 * board.square:g} mm"
            if board.marker >= board.square
            else f"the board needs {needed} markers, its dictionary has {available}"
        )
        raise CalibrationError(
            what, where=where, remedy="check the board's measures", status=RECORD
        )


def _whole_board_corners(grey: Grey, inner_corners: tuple[int, int]) -> Array | None:
    """Sub-pixel corners (k, 2) of the board, row by row; None where it isn't in view entirely."""
    found, rough = cv2.findChessboardCorners(
        grey, inner_corners, flags=cv2.CALIB_CB_ADAPTIVE_THRESH + cv2.CALIB_CB_NORMALIZE_IMAGE
    )
    if not found:
        found, exact = cv2.findChessboardCornersSB(
            grey, inner_corners, flags=cv2.CALIB_CB_NORMALIZE_IMAGE + cv2.CALIB_CB_ACCURACY
        )
        return np.asarray(exact, dtype=np.float64).reshape(-1, 2) if found else None
    rows = np.asarray(rough, dtype=np.float64).reshape(inner_corners[1], inner_corners[0], 2)
    closest = min(float(np.linalg.norm(np.diff(rows, axis=axis), axis=2).min()) for axis in (0, 1))
    reach = int(
        np.clip(closest / 2 - 1, OPTICS.refine_least, OPTICS.refine_most)
    )  # the window must not hold a second corner
    exact = cv2.cornerSubPix(grey, rough, (reach, reach), (-1, -1), _REFINE)
    return np.asarray(exact, dtype=np.float64).reshape(-1, 2)


def most_different(
    sightings: Sequence[Sighting], most: int, size: tuple[int, int]
) -> list[Sighting]:
    """Of many sightings those `most` that differ most in place, size, turn and tilt: each is the
    one farthest from all chosen before, and the first shows the most corners.
    """
    if len(sightings) <= most:
        return list(sightings)
    views = np.array([_homography(sighting, size) for sighting in sightings])
    chosen = [int(np.argmax([len(sighting.corners) for sighting in sightings]))]
    apart = np.linalg.norm(views - views[chosen[0]], axis=1)
    while len(chosen) < most:
        chosen.append(int(np.argmax(apart)))
        apart = np.minimum(apart, np.linalg.norm(views - views[chosen[-1]], axis=1))
    return [sightings[i] for i in sorted(chosen)]


def _homography(sighting: Sighting, size: tuple[int, int]) -> Array:
    """The plane's homography (8,): columns over the picture's width, perspective terms."""
    points = sighting.points[:, :2]
    middle, extent = points.mean(axis=0), np.ptp(points, axis=0).max()
    pixels = (sighting.corners - (np.array(size) - 1) / 2) / size[0]
    homography, _ = cv2.findHomography((points - middle) / extent, pixels)
    return np.asarray(homography, dtype=np.float64).ravel()[:8]
