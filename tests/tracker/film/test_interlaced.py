"""Interlaced video is known by its combs, and measured in one field only."""

from pathlib import Path

import numpy as np
import pytest

from tracker.demo.write import write_movie
from tracker.film import open_film
from tracker.film.interlaced import fill_odd_lines


def scene(time: float, rng: np.random.Generator) -> np.ndarray:
    """A bright slab with a ragged edge that crosses a dull wall at 6 px a frame."""
    v, u = np.mgrid[0:480, 0:320]
    edge = 40 + 6 * time + 8 * np.sin(v / 17)
    slab = np.clip(u - edge, 0, 1) * np.clip(edge + 90 - u, 0, 1) * ((v > 60) & (v < 400))
    return 70 + 10 * np.sin(u / 9) + 110 * slab + 2 * rng.standard_normal((480, 320))


def film(path: Path, lag: float, frames: int = 10) -> Path:
    """A movie of the scene whose odd lines are `lag` frames later than its even ones."""
    rng = np.random.default_rng(1)
    pictures = []
    for k in range(frames):
        picture = scene(k, rng)
        picture[1::2] = scene(k + lag, rng)[1::2]
        pictures.append(np.rint(np.clip(picture, 0, 255)).astype(np.uint8))
    write_movie(path, pictures, 25.0)
    return path


def test_an_interlaced_film_is_reported_and_shows_its_even_lines(tmp_path: Path) -> None:
    found = open_film(str(film(tmp_path / "tape.mp4", 0.5)))

    assert [f.code for f in found.findings] == ["film_interlaced"]
    luma = found.frame(4).astype(float)
    true = scene(4, np.random.default_rng(2))
    left = np.abs(luma - true)[10:-10]
    assert left.mean() < 4
    streamed = dict(found.forward(3, 5))
    assert np.array_equal(streamed[4], found.frame(4))


def test_a_film_of_whole_frames_is_left_alone(tmp_path: Path) -> None:
    found = open_film(str(film(tmp_path / "film.mp4", 0.0)))

    assert not found.findings


@pytest.mark.parametrize("rows", [5, 6])
def test_odd_lines_lie_halfway_between_even_ones(rows: int) -> None:
    luma = np.arange(rows, dtype=np.uint16)[:, None] * np.ones((1, 3), dtype=np.uint16) * 10
    luma[1::2] = 999

    filled = fill_odd_lines(luma)

    assert filled[:5, 0].tolist() == [0, 10, 20, 30, 40]
    assert filled.dtype == luma.dtype
    assert luma[1, 0] == 999
