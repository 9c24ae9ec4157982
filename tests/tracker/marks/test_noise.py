"""What a mark located in a noisy picture is taken for, and how well the model meets its picture."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support import marks_scene as scene
from tracker.marks import Fix, Picture, locate_mark, measure_marks

DARK, CONTRAST, NOISE, VIEWS = 60.0, 120.0, 8.0, 20


def located(pattern: str, size: int) -> list[Fix]:
    """One mark in each of `VIEWS` noisy pictures, all from picks at their centres."""
    rng = np.random.default_rng(size)
    fixes, side = [], size + 26
    for _ in range(VIEWS):
        centre = side // 2 + rng.uniform(-0.5, 0.5, 2)
        tilt, axis = rng.uniform(0, np.pi / 4), rng.uniform(0, np.pi)
        H = scene.turned(size, rng.uniform(0, 2 * np.pi), tilt, axis)
        view = scene.View((centre[0], centre[1]), H, rng.uniform(0.6, 1.2))
        cover = scene.coverage(scene.PAINTS[pattern], view, (side, side))
        picture = scene.photograph(DARK + CONTRAST * cover, NOISE, rng)
        fixes.append(locate_mark(Picture(picture, 255.0), pattern, centre, size))  # type: ignore[arg-type]
    return fixes


@pytest.mark.parametrize("size", [10, 20, 40])
def test_a_noisy_quadrant_keeps_its_outer_edge(size: int) -> None:
    """Without it the place is twice as uncertain as the picture allows."""
    outlines = [fix.shape.outline for fix in located("quadrant", size)]
    assert "none" not in outlines
    assert outlines.count("disc") >= 0.9 * VIEWS  # of 10 px a square may fit as well


def test_noise_is_not_taken_for_clutter() -> None:
    """A window of 10 px has about 200 pixels: the noise found there scatters by 5 %."""
    noise = np.array([fix.shape.noise for fix in located("quadrant", 10)])
    assert np.all(noise > 0.8 * NOISE)
    assert np.all(noise < 1.2 * NOISE)


def test_small_rings_are_located_in_noise() -> None:
    assert sum(fix.ok for fix in located("ring", 10)) >= 0.9 * VIEWS


def test_the_model_of_a_tilted_cross_meets_its_picture() -> None:
    """Bars that cross aslant: their edges' product alone leaves 1.3 grey rms, as it is up to
    r / (2 pi) of 120 off in the corners, r = 1/3; the next term, r² (z phi(z))² / 2, up to 0.4.
    """
    rng = np.random.default_rng(1)
    view = scene.View((23.2, 22.9), scene.turned(20, 0.3, np.pi / 4, 1.1), 0.8)
    clean = 100.0 * (DARK + CONTRAST * scene.coverage(scene.PAINTS["cross"], view, (46, 46)))
    picture = scene.photograph(clean, 0.0, rng, bits=16)
    centre = np.array(view.centre)
    shape = locate_mark(Picture(picture, 65535.0), "cross", centre, 20).shape
    fix = measure_marks(Picture(picture, 65535.0), [shape], centre[None], noise=20.0)[0]
    assert fix.ok, fix.why
    assert fix.ratio < 1.0  # 0.2 grey rms
