"""What weave leaves open of a camera, beside series whose mean is known."""

import cv2
import numpy as np
import pytest

from calibration.lens import given_lens
from tracker.camera.pose import lens_with_weave

LENS = given_lens([[1000, 0, 640], [0, 1000, 512], [0, 0, 1]], [0.0] * 5, (1280, 1024))


@pytest.mark.parametrize("smooth", [0.3, 2.0])
def test_the_mean_of_a_weave_is_as_far_off_the_middle_as_it_says(smooth: float) -> None:
    rng = np.random.default_rng(0)
    z = []
    for _ in range(400):
        white = rng.normal(size=(140, 4))
        woven = cv2.GaussianBlur(white, (1, 0), sigmaX=1e-3, sigmaY=smooth)[20:120]
        mean = woven.mean(axis=0)
        lens = lens_with_weave(LENS, (woven - mean) * [1, 1, 1e-3, 1e-3])
        assert lens is not None
        more = lens.covariance - LENS.covariance
        z += [mean[0] / np.sqrt(more[2, 2]), 1e-3 * mean[3] * 1000 / np.sqrt(more[0, 0])]
    assert 0.8 < np.std(z) < 1.3


def test_a_still_picture_leaves_a_lens_as_it_is() -> None:
    assert lens_with_weave(LENS, np.zeros((100, 4))) is LENS
    assert lens_with_weave(None, np.ones((100, 4))) is None
