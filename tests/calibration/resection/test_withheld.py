"""A target withheld from the calibration is an independent check of it."""

import numpy as np
import pytest

from calibration.camera import Camera, Lens
from calibration.resection.pose import sightings
from calibration.resection.resect import resect

LENS = Lens(
    np.array([[1500.0, 0, 639.5], [0, 1500.0, 511.5], [0, 0, 1.0]]), np.zeros(5), (1280, 1024)
)
POINTS = np.array(
    [
        [-3, -2, 0],
        [3, -2, 0],
        [3, 2, 0],
        [-3, 2, 0],
        [0, -1, -0.6],
        [1, 1.5, -0.4],
        [-2, 0.5, -0.8],
    ],
    dtype=np.float64,
)
PX = 0.05


def seen(rng, off=0.0):
    camera = Camera(LENS, np.eye(3), np.array([0.2, -0.1, -12.0]))
    pixels = camera.project(POINTS) + PX * rng.standard_normal((len(POINTS), 2))
    pixels[4] += [off, 0.0]
    covariance = np.tile(PX**2 * np.eye(2), (len(POINTS), 1, 1))
    names = [f"g{i}" for i in range(len(POINTS))]
    return sightings(names, POINTS, pixels, covariance, ground_u=1e-5)


@pytest.mark.slow
def test_residuals_and_withheld_ones_are_of_their_expected_size():
    """Gauss-Markov: 200 surveys drawn from the stated uncertainties; ratios have unit variance."""
    rng = np.random.default_rng(4)
    own, withheld = [], []
    for _ in range(200):
        found = resect(seen(rng), size=(1280, 1024), lens=LENS).targets
        own.append(found.residual / found.expected)
        withheld.append(found.withheld / found.withheld_expected)
    for ratios in (own, withheld):
        assert 0.95 < np.sqrt(np.mean(np.square(ratios))) < 1.05
        assert abs(np.mean(ratios)) < 0.05


def test_a_withheld_target_shows_more_of_an_error_than_its_residual():
    found = resect(seen(np.random.default_rng(1), off=0.12), size=(1280, 1024), lens=LENS).targets
    assert found.used[4]
    assert found.withheld[4, 0] > found.residual[4, 0] > 0
    assert np.hypot(*found.residual[0]) < 0.3


def test_three_others_fit_several_poses_and_check_nothing():
    every = seen(np.random.default_rng(2))
    found = resect(every.subset([0, 1, 2, 3]), size=(1280, 1024), lens=LENS).targets
    assert np.isnan(found.withheld).all()
