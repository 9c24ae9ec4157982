"""A given lens that the surveyed points contradict is named; a sound one is not.

Places and pixels are drawn here by the camera's own model with errors of a survey (2 mm, 0.02 px).
"""

import numpy as np
import pytest

from calibration.lens import given_lens
from calibration.resection.lens_change import lens_change
from calibration.resection.pose import sightings
from calibration.resection.resect import Resection, resect
from tests.support.calibration_scenes import SIZE, TWO_PLANES, names, same_noise, side

TRUE = side()
STATED_U = np.array([2.0, 2.0, 0.01, 0.02, 5e-4, 5e-4, 0.02])  # px, then k1 k2 p1 p2 k3


def resected(error_sds: float, seed: int) -> Resection:
    """The camera whose stated lens errs by a draw of some multiple of its stated uncertainty."""
    rng = np.random.default_rng(seed)
    error = np.r_[0, 0, error_sds * STATED_U * rng.standard_normal(7)]
    error[:2] = error_sds * 1e-3 * rng.standard_normal() * TRUE.lens.values[:2]
    stated = TRUE.lens.with_values(TRUE.lens.values + error)
    points = TWO_PLANES + 0.002 * rng.standard_normal(TWO_PLANES.shape)
    pixels = TRUE.project(TWO_PLANES) + 0.02 * rng.standard_normal((len(points), 2))
    lens = given_lens(stated.matrix.tolist(), stated.distortion.tolist(), SIZE)
    return resect(
        sightings(names(points), points, pixels, same_noise(points)), size=SIZE, lens=lens
    )


def warned(error_sds: float) -> list[bool]:
    return [
        "lens_differs" in [f.code for f in resected(error_sds, seed).findings] for seed in range(12)
    ]


def test_lens_within_its_uncertainty_is_not_named() -> None:
    assert sum(warned(1.0)) <= 1


@pytest.mark.slow
def test_lens_far_off_its_uncertainty_is_named() -> None:
    """Eight sds show in every survey, and in the text."""
    assert all(warned(8.0))
    (text,) = [f.text for f in resected(8.0, 0).findings if f.code == "lens_differs"]
    assert "times its uncertainty" in text


def test_change_of_a_lens_is_chi_square() -> None:
    """Prior 1 and posterior 0.5 a value: a change of sqrt(0.75) sds is one sd of the change."""
    given = TRUE.lens.with_values(TRUE.lens.values, np.eye(9))
    moved = given.with_values(given.values + np.sqrt(0.75))
    square, count = lens_change(given, moved, 0.25 * np.eye(9))
    assert count == 9
    assert square == pytest.approx(9.0)
