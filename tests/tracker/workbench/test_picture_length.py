"""What the workbench says of a line drawn on a film, against lines whose length is known."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.camera import Camera, Lens
from tracker.workbench.options import WORKBENCH
from tracker.workbench.picture_length import _line, _spread

LENS = Lens(
    np.array([[1500.0, 0, 639.5], [0, 1500.0, 511.5], [0, 0, 1]]),
    np.array([-0.1, 0.02, 0, 0, 0]),
    size=(1280, 1024),
)
# Camera axes from ground axes: one looks along +y from the traffic's left, one looks down.
ASIDE = np.array([[1.0, 0, 0], [0, 0, 1], [0, 1, 0]])
DOWN = np.array([[0.0, 1, 0], [-1, 0, 0], [0, 0, 1]])
VIEWS = {
    "aside": (ASIDE, np.array([0.5, -14.0, -1.2]), 1, [(-2.0, 0.3, -0.4), (1.5, 0.3, -1.6)]),
    "down": (DOWN, np.array([0.5, 0.2, -12.0]), 2, [(-1.0, -0.5, -1.4), (2.0, 1.1, -1.4)]),
}
LEVEL = {"aside": np.arctan2(1.2, 3.5), "down": np.arctan2(1.6, 3.0)}


@pytest.mark.parametrize("name", VIEWS)
def test_length_and_angle_are_those_of_the_line_in_its_plane(name):
    rotation, position, axis, ends = VIEWS[name]
    camera, ends = Camera(LENS, rotation, position), np.array(ends)
    length, angle = _line(camera, camera.project(ends), ends[0], axis)
    assert length == pytest.approx(np.linalg.norm(ends[1] - ends[0]), abs=1e-9)
    assert angle == pytest.approx(LEVEL[name], abs=1e-9)


@pytest.mark.parametrize("name", VIEWS)
def test_stated_u_covers_pointing_and_calibration(name):
    """Monte Carlo as in JCGM 101: errors over u have standard deviation 1."""
    rotation, position, axis, ends = VIEWS[name]
    u = np.array([1e-3] * 3 + [0.02] * 3 + [3.0, 3.0, 2.0, 2.0, 2e-3, 1e-3, 1e-4, 1e-4, 1e-4])
    camera = Camera(LENS, rotation, position, np.diag(u**2))
    ends, draws = np.array(ends), np.random.default_rng(71)
    truth = np.array([np.linalg.norm(ends[1] - ends[0]), LEVEL[name]])
    stated = np.array(_spread(camera, camera.project(ends), ends[0], axis))
    errors = []
    for _ in range(400):
        real = camera.with_change(draws.normal(size=15) * u)
        pixels = real.project(ends) + draws.normal(size=(2, 2)) * WORKBENCH.pointing
        errors.append(_line(camera, pixels, ends[0], axis) - truth)
    assert np.std(np.array(errors) / stated, axis=0) == pytest.approx(1.0, abs=0.12)


def test_a_line_to_the_sky_has_no_length():
    rotation, position, _, _ = VIEWS["aside"]
    camera = Camera(LENS, rotation, position)
    assert np.isnan(_line(camera, np.array([[600.0, 100.0], [700.0, 900.0]]), np.zeros(3), 2)[0])
