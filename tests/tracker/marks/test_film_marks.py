"""Marks located from picks 3 px off in pictures as film has them, drawn by code of their own."""

import numpy as np
import pytest

from tests.support.film_look_scene import first_picture, scene
from tracker.marks import Picture, locate_mark


@pytest.mark.parametrize("effect", ["oblique 60", "near"])
def test_small_oblique_rings_are_located(effect: str) -> None:
    """Of 12 px, seen at a cosine of 0.45 or more: the widths of their bands and the blur of their
    edges stand for each other, so that both together do not converge.
    """
    found, rings = 0, 0
    for seed in (10, 11, 12):
        s = scene(effect, 12.0, "above", seed)
        picture, truth = first_picture(s)
        rng = np.random.default_rng([seed, 3])
        shown = (truth.cover[0] < 0.05) & (truth.narrow[0] > 0.45)
        for m, mark in enumerate(s.marks):
            pick = truth.place[0, m] + rng.uniform(-3, 3, 2)
            if mark.pattern == "ring" and shown[m]:
                fix = locate_mark(Picture(picture, 255.0), "ring", pick, float(truth.axis[0, m]))
                rings += 1
                found += fix.ok and np.hypot(*(fix.position - truth.place[0, m])) < 0.3
    assert rings >= 4
    assert found >= rings - 1
