"""Regions whose brightness gives a time keep to the picture when it weaves."""

from pathlib import Path

import numpy as np
import pytest

from calibration.arrays import Array
from calibration.image_motion.stabilise import stabilise_picture
from calibration.time.flash import onset
from tracker.camera.brightness import Brightness, light_table, stabilised_brightness
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
    stabilisation = stabilise_picture(list("abcd"), seen, covariance, size=film.size)

    region = (52, 32, 30, 30)
    means = stabilised_brightness(film, {"flash": region, "whole": None}, stabilisation)
    fixed = [luma[32:62, 52:82].mean() for _, luma in film.forward()]

    assert np.std(fixed) > 1
    assert means["flash"].std() < 0.1 * np.std(fixed)
    assert means["whole"] == pytest.approx([luma.mean() for _, luma in film.forward()], abs=0.1)


@pytest.mark.parametrize(("gamma", "off"), [(0.45, 0.01), (1.0, 0.2)])
def test_a_flash_in_a_film_with_gamma_is_timed_by_its_light(gamma: float, off: float) -> None:
    """A lamp comes on after 30 % of an exposure, on a dark region, in a film of exponent 0.45."""
    rng = np.random.default_rng(3)
    share = np.r_[np.zeros(20), 0.7, np.ones(12)][:, None, None]
    light = 0.01 + 0.5 * share * rng.uniform(0.3, 1.0, (40, 40))
    films = np.rint(255 * light**0.45).astype(np.uint8)
    seen = Brightness(len(films), {"flash": (2, 2, 36, 36)}, light_table(255, gamma))
    for index, luma in enumerate(films):
        seen.add_frame(index, luma)

    found = onset(seen.means["flash"], white=255.0, duty=0.8)

    true = 20 + (0.5 - 0.7) * 0.8
    assert abs(found.frame - true) < off
    if gamma == 1.0:
        assert found.frame < true - 0.05
