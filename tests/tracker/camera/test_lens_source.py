"""Straight lines that a person names try the lens."""

import numpy as np

from calibration.arrays import Array
from calibration.camera import Lens
from calibration.image_motion.stabilise import stabilise_picture
from tracker.camera.lens_source import check_straight_lines
from tracker.record.camera import StraightLine

SIZE = (1280, 1024)
LENS = Lens(
    np.array([[1500.0, 0, 640], [0, 1500, 512], [0, 0, 1]]), np.array([-0.12, 0, 0, 0, 0]), SIZE
)
STILL = stabilise_picture([], np.zeros((3, 0, 2)), np.zeros((3, 0, 2, 2)), size=SIZE)


def kerb(spread: float) -> Array:
    """Nine hand picks along a kerb near the picture's lower edge, off by `spread` px."""
    line = np.column_stack([np.linspace(-0.38, 0.38, 9), np.full(9, 0.3)])
    rng = np.random.default_rng(4)
    return np.asarray(LENS.distort_points(line)[0] + spread * rng.standard_normal((9, 2)))


def line_code(lens: Lens) -> str:
    line = StraightLine(pixels=kerb(0.7).tolist(), frame=1)
    (warning,) = check_straight_lines([line], lens, STILL, "cameras.side")
    assert warning.where == "cameras.side.straight[1]"
    return warning.code


def test_the_right_lens_makes_a_kerb_straight() -> None:
    assert line_code(LENS) == "line_straight"


def test_a_lens_of_another_zoom_leaves_it_bent() -> None:
    """Source: plumb-line method, Brown 1971."""
    assert line_code(LENS.with_values(np.array([*LENS.values[:4], 0.1, 0, 0, 0, 0]))) == "line_bent"
    assert line_code(LENS.with_values(np.array([*LENS.values[:4], 0, 0, 0, 0, 0]))) == "line_bent"
