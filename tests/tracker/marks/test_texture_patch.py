"""A texture is followed by what it looked like in one picture."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tracker.marks import Picture, locate_mark, measure_marks

Array = NDArray[np.float64]


class Texture:
    """A sum of random waves: a texture that is known exactly at every place."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.k = rng.uniform(0.12, 0.75, 40)[:, None] * np.stack(
            [np.cos(a := rng.uniform(0, 6.28, 40)), np.sin(a)], axis=1
        )
        self.phase = rng.uniform(0, 6.28, 40)

    def picture(self, centre: Array, turn: float, scale: float, side: int = 96) -> Array:
        """The texture with its origin seen at `centre`, turned (rad) and scaled."""
        y, x = np.mgrid[:side, :side].astype(float)
        c, s = np.cos(turn) / scale, np.sin(turn) / scale
        u, v = x - centre[0], y - centre[1]
        u, v = c * u + s * v, -s * u + c * v
        waves = np.cos(u[..., None] * self.k[:, 0] + v[..., None] * self.k[:, 1] + self.phase)
        return 120 + 10 * waves.sum(axis=-1)


def test_a_turning_growing_texture_does_not_drift() -> None:
    """30 degrees of turn and 20 % of scale over 60 pictures, gain and offset changing."""
    rng = np.random.default_rng(1)
    texture = Texture(2)
    start = np.array([48.3, 47.6])
    first = np.clip(np.rint(texture.picture(start, 0, 1) + rng.normal(0, 1, (96, 96))), 0, 255)
    fix = locate_mark(Picture(first.astype(np.uint8), 255.0), "patch", start, 31.0)
    assert fix.ok, fix.why
    errors, squares = [], []
    for t in np.linspace(0, 1, 60)[1:]:
        centre = start + np.array([6.0 * t, -4.0 * t])
        clean = texture.picture(centre, np.radians(30) * t, 1 + 0.2 * t)
        clean = 8 * t + clean * (1 - 0.2 * t)
        grey = np.clip(np.rint(clean + rng.normal(0, 1, clean.shape)), 0, 255).astype(np.uint8)
        fix = measure_marks(Picture(grey, 255.0), [fix.shape], fix.position[None])[0]
        assert fix.ok, fix.why
        errors.append(fix.position - centre)
        squares.append(np.trace(fix.covariance) / 2)
    assert np.abs(errors[-1]).max() < 0.02
    assert float(np.sqrt(np.mean(np.square(errors)))) < 0.02
    assert float(np.std(errors)) < 2.5 * float(np.sqrt(np.mean(squares)))


def test_a_patch_without_texture_is_refused() -> None:
    flat = np.full((60, 60), 90, np.uint8) + np.random.default_rng(3).integers(
        0, 4, (60, 60), np.uint8
    )
    edge = np.where(np.arange(60)[None] > 30, 180, 60).repeat(60, axis=0).astype(np.uint8)
    for picture in (flat, edge):
        fix = locate_mark(Picture(picture, 255.0), "patch", np.array([30.0, 30.0]), 21.0)
        assert not fix.ok
        assert fix.why


def test_the_place_of_a_patch_is_its_pick() -> None:
    picture = np.clip(Texture(4).picture(np.array([48.0, 48.0]), 0, 1), 0, 255).astype(np.uint8)
    pick = np.array([47.3, 49.8])
    fix = locate_mark(Picture(picture, 255.0), "patch", pick, 25.0)
    again = measure_marks(Picture(picture, 255.0), [fix.shape], pick[None] + 0.4)[0]
    assert again.ok, again.why
    assert again.position == pytest.approx(pick, abs=0.01)
