"""The real chessboards as OpenCV's own functions see them, and a direct linear transformation."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from calibration.arrays import Array
from calibration.camera import Lens

CORNERS, SQUARE, SIZE = (9, 6), 0.025, (640, 480)


@dataclass(frozen=True)
class Boards:
    """Corners (54, 2) px of each picture, and cv2.calibrateCamera's lens and poses from them."""

    corners: dict[str, Array]
    lens: Lens
    rms_px: float
    poses: dict[str, tuple[Array, Array]]  # rotation (3, 3), shift (3,): camera from board axes


def grid() -> Array:
    """Board coordinates (54, 3), m."""
    places = np.zeros((CORNERS[0] * CORNERS[1], 3))
    places[:, :2] = SQUARE * np.mgrid[: CORNERS[0], : CORNERS[1]].T.reshape(-1, 2)
    return places


def corners_of(path: Path) -> Array:
    """Corners (54, 2) px of the board in a picture."""
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    assert grey is not None
    found, corners = cv2.findChessboardCorners(grey, CORNERS)
    assert found
    corners = cv2.cornerSubPix(grey, corners, (5, 5), (-1, -1), (3, 30, 1e-3))
    return np.asarray(corners, dtype=np.float64).reshape(-1, 2)


def calibrated_by_opencv(folder: Path) -> Boards:
    """cv2.calibrateCamera on the left camera's pictures."""
    corners = {path.name: corners_of(path) for path in sorted(folder.glob("left??.jpg"))}
    objects = [grid().astype(np.float32)] * len(corners)
    seen = [c.astype(np.float32) for c in corners.values()]
    rms, matrix, distortion, turns, shifts = cv2.calibrateCamera(objects, seen, SIZE, None, None)
    poses = {
        name: (np.asarray(cv2.Rodrigues(turn)[0]), np.ravel(shift))
        for name, turn, shift in zip(corners, turns, shifts, strict=True)
    }
    return Boards(corners, Lens(matrix, np.ravel(distortion)[:5], SIZE), float(rms), poses)


def solved_by_opencv(corners: Array, lens: Lens) -> Array:
    """Position (3,) of the camera in board axes by cv2.solvePnP, iterative."""
    _, turn, shift = cv2.solvePnP(grid(), corners, lens.matrix, lens.distortion)
    return np.asarray(-cv2.Rodrigues(turn)[0].T @ shift.ravel())


def in_first_board(boards: Boards, names: tuple[str, ...]) -> tuple[Array, Array, Array]:
    """Corners of several pictures as one survey in space, in the axes of the first board: places
    (n, 3) by calibrateCamera's poses, pixels (n, 2), and the camera's position (3,).
    """
    first, shift = boards.poses[names[0]]
    camera = [grid() @ boards.poses[n][0].T + boards.poses[n][1] for n in names]
    places = (np.concatenate(camera) - shift) @ first
    return places, np.concatenate([boards.corners[n] for n in names]), -first.T @ shift


def direct_linear(places: Array, pixels: Array, lens: Lens) -> tuple[Array, float]:
    """Position (3,) and focal length (px) by the eleven parameters of Abdel-Aziz and Karara (1971)
    on pixels without the lens' distortion.
    """
    uv = lens.undistort_pixels(pixels) * lens.matrix[0, 0]
    x = np.column_stack([places, np.ones(len(places))])
    zero = np.zeros_like(x)
    system = np.vstack(
        [np.hstack([x, zero, -uv[:, :1] * places]), np.hstack([zero, x, -uv[:, 1:] * places])]
    )
    eleven, *_ = np.linalg.lstsq(system, uv.T.ravel(), rcond=None)
    rows = np.array([eleven[0:3], eleven[4:7], eleven[8:11]])
    position = -np.linalg.solve(rows, np.array([eleven[3], eleven[7], 1]))
    size = rows[2] @ rows[2]
    centre = rows[:2] @ rows[2] / size
    focal = np.sqrt((rows[0] @ rows[0]) / size - centre[0] ** 2)
    return position, float(focal)
