"""Corners of boards measured as marks, beside the detectors of a general-purpose library.

Sources: the chessboard pictures of OpenCV's calibration tutorial (as described where they lie) with
cv2.findChessboardCornersSB (Duda and Frese 2018) and cv2.cornerSubPix; a ChArUco board drawn and
detected by OpenCV (Garrido-Jurado et al. 2014), seen through a known homography.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from tracker.marks import Picture, Shape, measure_marks

Real = Callable[[str], Path]


def corners_as_marks(grey: np.ndarray, rough: np.ndarray, rows: int, columns: int) -> np.ndarray:
    """(n, 2) px: each corner of the grid fitted as two crossing edges; NaN where refused."""
    grid = rough.reshape(rows, columns, 2)
    along = np.gradient(grid, axis=1).reshape(-1, 2)
    across = np.gradient(grid, axis=0).reshape(-1, 2)
    shapes = []
    for (u, v), a, b in zip(rough, along, across, strict=True):
        x, y = round(u), round(v)
        part = grey[y - 4 : y + 5, x - 4 : x + 5].astype(float)
        sign = np.sign(part[0, 0] + part[-1, -1] - part[0, -1] - part[-1, 0])
        affine = 0.4 * np.stack([a, b], axis=1)
        low, high = np.percentile(part, (10, 90))
        lower = np.linalg.inv(affine) @ np.array([-3.0, -3.0])
        shapes.append(
            Shape(
                "quadrant",
                affine,
                0.8,
                0.5 * (low + high),
                float(sign * np.sign(lower[0] * lower[1]) * (high - low)),
                outline="none",
                noise=8.0,
            )
        )
    fixes = measure_marks(Picture(grey, 256.0), shapes, rough)
    return np.where(fixes.ok[:, None], fixes.position, np.nan)


def test_corners_of_a_photographed_chessboard_are_where_a_detector_has_them(real: Real) -> None:
    apart, found = [], []
    for path in sorted(real("stereo-chessboard").glob("*.jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        assert grey is not None
        ok, corners = cv2.findChessboardCornersSB(grey, (9, 6), None)
        if not ok:
            continue  # the detector misses some of the pictures
        detected = corners.reshape(-1, 2).astype(float)
        fine = cv2.cornerSubPix(grey, corners.copy(), (5, 5), (-1, -1), (3, 50, 1e-4))
        ours = corners_as_marks(grey, detected, 6, 9)
        found.append(np.isfinite(ours[:, 0]).mean())
        spread = np.median(np.hypot(*(fine.reshape(-1, 2) - detected).T))
        apart.append((np.nanmedian(np.hypot(*(ours - detected).T)), spread))
    assert len(found) >= 10
    assert np.mean(found) > 0.9
    ours_off, library_off = np.array(apart).T
    # detectors agree to 0.2 px on such pictures; we are as near to one as the others are
    assert np.all(ours_off < 0.2)
    assert np.median(ours_off) < 1.2 * np.median(library_off) + 0.02


@pytest.mark.slow
def test_corners_of_a_charuco_board_are_nearer_to_the_truth_than_the_detectors() -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    board = cv2.aruco.CharucoBoard((6, 5), 1.0, 0.7, dictionary)
    scale = 400  # samples for a square
    drawn = board.generateImage((6 * scale, 5 * scale), marginSize=0)
    corner_at = np.array([(i + 1, j + 1) for j in range(4) for i in range(5)], float) * scale - 0.5
    over, size = 6, (480, 360)
    quad = np.array([[70, 50], [420, 75], [400, 310], [50, 290]], np.float64)
    whole = np.array([[0, 0], [6, 0], [6, 5], [0, 5]], np.float64) * scale - 0.5
    H = cv2.getPerspectiveTransform(whole.astype(np.float32), quad.astype(np.float32))
    # pixel (x, y) of the picture is the mean of its over x over samples
    S = np.array([[over, 0, (over - 1) / 2], [0, over, (over - 1) / 2], [0, 0, 1.0]])
    fine = cv2.warpPerspective(
        drawn, S @ H, (size[0] * over, size[1] * over), flags=cv2.INTER_AREA, borderValue=255.0
    )
    soft = cv2.GaussianBlur(fine.astype(float), (0, 0), 0.7 * over)
    mean = soft.reshape(size[1], over, size[0], over).mean(axis=(1, 3))
    noise = np.random.default_rng(3).normal(0, 3, mean.shape)
    grey = np.clip(np.rint(40 + 0.7 * mean + noise), 0, 255).astype(np.uint8)
    truth = cv2.perspectiveTransform(corner_at[None], H)[0]
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(grey)
    assert ids is not None
    assert len(ids) == 20
    detected = np.zeros((20, 2))
    detected[ids.ravel()] = corners.reshape(-1, 2)
    ours = corners_as_marks(grey, detected, 4, 5)
    assert np.isfinite(ours).all()
    rms, theirs = (np.sqrt(np.mean((c - truth) ** 2)) for c in (ours, detected))
    assert theirs < 0.2
    assert rms < 0.03
    assert rms < 0.6 * theirs
    assert pytest.approx(0.0, abs=0.02) == np.mean(ours - truth)
