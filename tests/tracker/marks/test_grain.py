"""Noise that clumps widens a place as much as it moves it: drawn grain, Monte Carlo."""

import cv2
import numpy as np
import pytest

from tests.support.marks_scene import PAINTS, View, coverage, turned
from tracker.marks import Picture, locate_mark, measure_marks

DRAWS = 120


def squares(pattern: str, clump: float) -> float:
    """Mean square of the error over its claimed standard deviation, one coordinate."""
    rng = np.random.default_rng(5)
    z2 = []
    for _ in range(DRAWS):
        centre = 24 + rng.uniform(-0.5, 0.5, 2)
        view = View((float(centre[0]), float(centre[1])), turned(16.0, 0.2), 1.0)
        clean = 60 + 120 * coverage(PAINTS[pattern], view, (48, 48))
        grain = rng.standard_normal(clean.shape)
        if clump:
            grain = cv2.GaussianBlur(grain, (0, 0), clump)
        picture = np.rint(clean + 6 * grain / grain.std()).clip(0, 255).astype(np.uint8)
        shown = Picture(picture, 255.0)
        fix = locate_mark(shown, pattern, centre + rng.uniform(-1, 1, 2), 16.0)  # type: ignore[arg-type]
        again = measure_marks(shown, [fix.shape], fix.position[None])[0]
        assert again.ok
        off = again.position - centre
        z2.append(float(off @ np.linalg.solve(again.covariance, off)) / 2)
    return float(np.mean(z2))


@pytest.mark.slow
@pytest.mark.parametrize("pattern", ["quadrant", "disc", "cross"])
@pytest.mark.parametrize("clump", [0.0, 0.6, 0.9])
def test_the_claimed_covariance_holds_in_grain_that_spreads_over_pixels(
    pattern: str, clump: float
) -> None:
    assert 0.6 < squares(pattern, clump) < 1.5  # 1 +- 3 sd of a mean of 240 squares is 0.73 to 1.27
