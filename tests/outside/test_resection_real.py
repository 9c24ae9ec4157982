"""Resection of real chessboards beside OpenCV's solvers and a direct linear transformation.

The board is a survey of 54 points known to the printer's accuracy. Data: OpenCV examples/data,
13 pictures of the left camera.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from calibration.arrays import Array
from calibration.camera import Lens
from calibration.resection.pose import sightings
from calibration.resection.resect import Resection, resect
from tests.support.real_boards import (
    SIZE,
    Boards,
    calibrated_by_opencv,
    direct_linear,
    grid,
    in_first_board,
)
from tests.support.real_boards import solved_by_opencv as solve_pnp

CORNER_U = 0.2  # px


@pytest.fixture(scope="module")
def boards(real: Callable[[str], Path]) -> Boards:
    return calibrated_by_opencv(real("stereo-chessboard"))


def resected(places: Array, pixels: Array, lens: Lens | None) -> Resection:
    return resect(
        sightings(
            [f"c{i}" for i in range(len(places))],
            places,
            pixels,
            np.tile(CORNER_U**2 * np.eye(2), (len(places), 1, 1)),
            ground_u=0.0,
        ),
        size=SIZE,
        lens=lens,
    )


@pytest.mark.parametrize("picture", ["left01.jpg", "left04.jpg", "left08.jpg", "left13.jpg"])
def test_the_camera_stands_where_two_solvers_of_opencv_have_it(
    boards: Boards, picture: str
) -> None:
    """Both minimise the same sum on these corners, calibrateCamera over all pictures at once."""
    corners = boards.corners[picture]
    found = resected(grid(), corners, boards.lens)
    assert not found.left_out
    assert found.camera.position == pytest.approx(solve_pnp(corners, boards.lens), abs=2e-6)
    rotation, shift = boards.poses[picture]
    assert found.camera.position == pytest.approx(-rotation.T @ shift, abs=2e-5)


def test_focal_length_and_place_agree_with_a_direct_linear_transformation(boards: Boards) -> None:
    """Source: Abdel-Aziz and Karara 1971. Six boards as one survey in space, the lens open; the
    eleven parameters are solved on pixels without distortion.
    """
    names = ("left01.jpg", "left03.jpg", "left04.jpg", "left06.jpg", "left08.jpg", "left12.jpg")
    places, pixels, position = in_first_board(boards, names)
    linear, focal = direct_linear(places, pixels, boards.lens)

    found = resected(places[::7], pixels[::7], None).camera

    assert found.position == pytest.approx(linear, abs=2e-3)
    assert found.position == pytest.approx(position, abs=2e-3)
    assert found.lens.matrix[0, 0] == pytest.approx(focal, rel=5e-3)
    assert np.linalg.norm(position) > 0.25
