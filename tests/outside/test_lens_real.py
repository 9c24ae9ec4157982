"""A real chessboard against the figures published with its pictures.

Source: OpenCV examples/data, left_intrinsics.yml (13 pictures, 9 x 6 inner corners, square 25 mm):
f 535.916 px, cx 342.283, cy 235.571, k1 -0.2664, reprojection error 0.393 px.
"""

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.errors import Problem
from calibration.lens import LensCalibration, lens_from_chessboard
from tests.support.real_boards import corners_of
from tracker.camera.lens_source import read_lens
from tracker.demo.write import write_movie
from tracker.record.camera import LensEntry

CORNERS, SQUARE = (9, 6), 0.025


def calibrated(folder: Path, side: str) -> LensCalibration:
    pictures = sorted(folder.glob(f"{side}??.jpg"))
    return lens_from_chessboard(pictures, inner_corners=CORNERS, square=SQUARE)


def test_the_published_lens_comes_out(real: Callable[[str], Path]) -> None:
    found = calibrated(real("stereo-chessboard"), "left")

    fx, fy, cx, cy, k1 = found.lens.values[:5]
    assert fx == pytest.approx(535.916, rel=0.005)
    assert fy == pytest.approx(535.916, rel=0.005)
    assert cx == pytest.approx(342.283, abs=2)
    assert cy == pytest.approx(235.571, abs=2)
    assert k1 == pytest.approx(-0.2664, abs=0.01)
    assert found.rms_px <= 0.45


def test_the_worst_picture_is_the_published_one_without_its_slipped_corners(
    real: Callable[[str], Path],
) -> None:
    """Source: left_intrinsics.yml: 1.18 px rms in view 2, 0.16 to 0.38 px in the others, 0.393 px
    over all, every corner taken.
    """
    found = calibrated(real("stereo-chessboard"), "left")

    assert any(f.code == "lens_corners_left_out" for f in found.findings)
    assert len(found.corners) >= 0.98 * 13 * CORNERS[0] * CORNERS[1]
    assert found.rms_px < 0.25
    assert max(found.residuals, key=lambda name: found.residuals[name]) == "left02.jpg"
    assert found.residuals["left02.jpg"] < 0.38


def test_a_clip_of_the_board_gives_the_same_lens(
    real: Callable[[str], Path], tmp_path: Path
) -> None:
    """The thirteen pictures, four frames each, as an H.264 clip named in a record."""
    paths = sorted(real("stereo-chessboard").glob("left??.jpg"))
    greys = [cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in paths]
    write_movie(tmp_path / "board.mp4", [g for g in greys for _ in range(4)], 30.0)
    entry = LensEntry(chessboard="board.mp4", inner_corners=CORNERS, square="25 mm")

    found = read_lens(entry, tmp_path, (640, 480), "side")

    assert found.lens is not None
    fx, _, cx, cy, k1 = found.lens.values[:5]
    assert fx == pytest.approx(535.916, rel=0.005)
    assert (cx, cy) == pytest.approx((342.283, 235.571), abs=2)
    assert k1 == pytest.approx(-0.2664, abs=0.01)
    assert found.fit is not None
    assert found.fit.rms_px < 0.45
    with pytest.raises(Problem, match="640 x 480 px, the film has 1280 x 1024"):
        read_lens(entry, tmp_path, (1280, 1024), "side")


def test_the_board_s_squares_come_out_25_mm_by_triangulation(real: Callable[[str], Path]) -> None:
    """The two cameras are calibrated each by itself; the squares' size enters only through the
    distance between the cameras, taken from one picture pair and tried on the others.
    """
    folder = real("stereo-chessboard")
    lenses = {side: calibrated(folder, side).lens for side in ("left", "right")}
    boards = {
        number: [corners_of(folder / f"{side}{number}.jpg") for side in ("left", "right")]
        for number in ("01", "03", "04", "06", "08", "12", "14")
    }
    normal = {
        n: [
            lenses[side].undistort_pixels(b)
            for side, b in zip(("left", "right"), pair, strict=True)
        ]
        for n, pair in boards.items()
    }
    grid = np.zeros((54, 3))
    grid[:, :2] = SQUARE * np.mgrid[:9, :6].T.reshape(-1, 2)
    poses = [cv2.solvePnP(grid, points, np.eye(3), np.zeros(5))[1:] for points in normal["03"]]
    projections = [np.column_stack([cv2.Rodrigues(r)[0], t]) for r, t in poses]

    sides = []
    for number, (left, right) in normal.items():
        if number == "03":
            continue
        homogeneous = cv2.triangulatePoints(*projections, left.T, right.T)
        points = (homogeneous[:3] / homogeneous[3]).T.reshape(6, 9, 3)
        sides.append(np.linalg.norm(np.diff(points, axis=1), axis=2).mean())

    assert 1e3 * np.mean(sides) == pytest.approx(25.0, abs=0.25)
