"""What perspective does to a disc, against the exact picture of a circle."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tracker.marks import Shape
from tracker.marks.measure import appearances_of
from tracker.marks.perspective import perspective_covariance


@pytest.mark.parametrize("tilt", [0.0, 0.5, 0.9, 1.2])
@pytest.mark.parametrize("about", [0.0, 0.7, 2.5])
def test_the_middle_of_a_disc_s_picture_is_off_by_its_u(tilt: float, about: float) -> None:
    """The conic that is a circle's picture has its middle elsewhere than the circle's picture."""
    focal, distance, radius = 640.0, 5.0, 0.1
    axis = np.array([np.cos(about), np.sin(about), 0.0])
    plane = np.column_stack(
        [Rotation.from_rotvec(tilt * axis).as_matrix()[:, :2] * radius, [0, 0, distance]]
    )
    to_picture = np.diag([focal, focal, 1.0]) @ plane
    conic = np.linalg.inv(to_picture).T @ np.diag([1.0, 1.0, -1.0]) @ np.linalg.inv(to_picture)
    middle = -np.linalg.solve(conic[:2, :2], conic[:2, 2])  # the disc's own is at 0, 0
    shape = Shape("disc", to_picture[:2, :2] / distance, 1.0, 0.0, 1.0)
    known = appearances_of([shape])
    found = perspective_covariance(known.rows.p, known.rows.kinds, focal)[0]
    assert found == pytest.approx(
        np.outer(middle, middle), abs=3e-4 + 0.03 * float(middle @ middle)
    )


def test_marks_with_a_point_in_their_middle_get_none() -> None:
    known = appearances_of([Shape("quadrant", np.diag([9.0, 4.0]), 1.0, 0.0, 1.0)])
    assert not perspective_covariance(known.rows.p, known.rows.kinds, 640.0).any()
