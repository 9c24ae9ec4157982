"""Regions whose brightness tells time keep to the picture when it weaves."""

from pathlib import Path

import numpy as np
import pytest

from calibration.camera import Array
from calibration.steadiness import steadiness
from tracker.brightness import steadied
from tracker.demo.write import write_movie
from tracker.film import open_film


def picture(du: float, dv: float) -> Array:
    """A dark box on a slope of light, seen shifted; without any change of its light."""
    v, u = np.mgrid[0:120, 0:160].astype(float)
    u, v = u - du, v - dv
    edge = np.clip(u - 60, 0, 1) * np.clip(100 - u, 0, 1)
    edge *= np.clip(v - 40, 0, 1) * np.clip(80 - v, 0, 1)
    return np.asarray(np.rint(60 + 0.8 * u - 50 * edge).astype(np.uint8))


def test_a_woven_film_of_steady_light_has_steady_regions(tmp_path: Path) -> None:
    shift = np.random.default_rng(1).normal(0, 1.5, (12, 2))
    write_movie(tmp_path / "film.mp4", [picture(*s) for s in shift], 500.0, crf=4)
    film = open_film(str(tmp_path / "film.mp4"), frame_rate=500.0)
    places = np.array([[20.0, 20], [140, 20], [20, 100], [140, 100]])
    seen = places + shift[:, None]
    covariance = np.tile(1e-4 * np.eye(2), (12, 4, 1, 1))
    steady = steadiness(list("abcd"), seen, covariance, size=film.size)

    region = (52, 32, 30, 30)
    held = steadied(film, {"flash": region, "whole": None}, steady)
    fixed = [luma[32:62, 52:82].mean() for _, luma in film.forward()]

    assert np.std(fixed) > 1
    assert held["flash"].std() < 0.1 * np.std(fixed)
    assert held["whole"] == pytest.approx([luma.mean() for _, luma in film.forward()], abs=0.1)
