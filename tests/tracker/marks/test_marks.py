"""What can be known of the place of a painted mark, and when nothing may be stated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support import marks_scene as scene
from tracker.marks import Fix, Picture, Shape, locate_mark, measure_marks

DARK, CONTRAST, NOISE = 60.0, 120.0, 4.0
PATTERNS = ("quadrant", "hourglass", "disc", "ring", "cross")


def view_of(rng: np.random.Generator, size: float, tilt: float = 0.6) -> scene.View:
    side = int(size) + 26
    centre = side / 2 + rng.uniform(-0.5, 0.5, 2)
    H = scene.turned(size, rng.uniform(0, 6.28), rng.uniform(0, tilt), rng.uniform(0, 3.14))
    return scene.View((float(centre[0]), float(centre[1])), H, 0.8)


def clean_picture(pattern: str, view: scene.View) -> scene.Array:
    side = int(2 * max(view.centre))
    return DARK + CONTRAST * scene.coverage(scene.PAINTS[pattern], view, (side, side))


def found(pattern: str, view: scene.View, rng: np.random.Generator) -> Fix:
    """The mark as located in one picture, from a pick a third of its size off."""
    size = 2 * float(np.linalg.svd(view.homography[:2, :2], compute_uv=False)[0])
    angle = rng.uniform(0, 6.28)
    pick = np.array(view.centre) + 0.3 * size * np.array([np.cos(angle), np.sin(angle)])
    picture = scene.photograph(clean_picture(pattern, view), NOISE, rng)
    return locate_mark(Picture(picture, 255.0), pattern, pick, size)  # type: ignore[arg-type]


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("size", [10, 20])
def test_a_mark_is_found_from_a_rough_pick(pattern: str, size: int) -> None:
    rng = np.random.default_rng(size)
    for _ in range(2):
        view = view_of(rng, size)
        fix = found(pattern, view, rng)
        assert fix.ok, fix.why
        assert np.hypot(*(fix.position - view.centre)) < 0.15


@pytest.mark.parametrize("pattern", ["quadrant", "disc", "ring", "cross"])
def test_repeated_measurements_scatter_as_the_cramer_rao_bound_and_as_claimed(pattern: str) -> None:
    """Bound from difference pictures of the independent renderer (Cramer 1946, Rao 1945)."""
    rng = np.random.default_rng(5)
    view = view_of(rng, 20)
    clean = clean_picture(pattern, view)
    bound = scene.bound(scene.PAINTS[pattern], view, clean.shape, CONTRAST, NOISE)
    shape = found(pattern, view, rng).shape
    errors, squares = [], []
    for k in range(150):
        start = np.array(view.centre) + rng.normal(0, 0.3, 2)
        fix = measure_marks(
            Picture(scene.photograph(clean, NOISE, rng), 255.0), [shape], start[None]
        )[0]
        shape = fix.shape
        assert fix.ok, fix.why
        if k >= 10:  # the lighting is learnt over the first pictures
            e = fix.position - view.centre
            errors.append(e)
            squares.append(e @ np.linalg.solve(fix.covariance, e) / 2)
    ratio = float(np.sqrt(np.mean(np.square(errors)))) / bound
    assert 0.85 < ratio < 1.17  # 140 pictures: sampling error of the ratio 4 %
    assert 0.72 < float(np.mean(squares)) < 1.3


@pytest.mark.parametrize("pattern", PATTERNS)
def test_without_noise_the_place_is_right_to_rounding(pattern: str) -> None:
    rng = np.random.default_rng(8)
    for _ in range(3):
        view = view_of(rng, 24, tilt=0.5)
        picture = scene.photograph(clean_picture(pattern, view), 0.0, rng)
        fix = locate_mark(Picture(picture, 255.0), pattern, np.array(view.centre), 24.0)  # type: ignore[arg-type]
        assert fix.ok, fix.why
        assert np.abs(fix.position - view.centre).max() < 0.006


def test_light_on_dark_and_dark_on_light_give_the_same_place() -> None:
    rng = np.random.default_rng(9)
    view = view_of(rng, 20)
    clean = clean_picture("disc", view)
    light = scene.photograph(clean, 0.0, rng)
    dark = scene.photograph(2 * DARK + CONTRAST - clean, 0.0, rng)
    a = locate_mark(Picture(light, 255.0), "disc", np.array(view.centre), 20.0)
    b = locate_mark(Picture(dark, 255.0), "disc", np.array(view.centre), 20.0)
    assert a.contrast > 0 > b.contrast
    assert np.abs(a.position - b.position).max() < 0.004


def test_a_place_moves_with_the_picture() -> None:
    """Shifting the picture by whole pixels shifts the place by just as much."""
    rng = np.random.default_rng(10)
    view = view_of(rng, 20)
    picture = scene.photograph(clean_picture("quadrant", view), NOISE, rng)
    moved = np.roll(picture, (2, -3), axis=(0, 1))
    shape = found("quadrant", view, rng).shape
    a = measure_marks(Picture(picture, 255.0), [shape], np.array([view.centre]))[0]
    b = measure_marks(Picture(moved, 255.0), [shape], np.array([view.centre]) + np.array([-3, 2]))[
        0
    ]
    assert b.position - a.position == pytest.approx([-3, 2], abs=1e-9)


def test_sixteen_bit_pictures_are_measured_as_eight_bit_ones() -> None:
    rng = np.random.default_rng(11)
    view = view_of(rng, 20)
    clean = clean_picture("cross", view)
    grey = scene.photograph(clean, NOISE, rng)
    shape = found("cross", view, rng).shape
    bright = replace(
        shape, level=257 * shape.level, contrast=257 * shape.contrast, noise=257 * shape.noise
    )
    start = np.array([view.centre])
    a = measure_marks(Picture(grey, 255.0), [shape], start)[0]
    b = measure_marks(Picture(grey.astype(np.uint16) * 257, 65535.0), [bright], start)[0]
    assert b.position == pytest.approx(a.position, abs=1e-4)


@pytest.mark.parametrize("pattern", ["quadrant", "disc", "cross"])
@pytest.mark.parametrize(("share", "limit"), [(0.404, 0.03), (0.0, 0.05)])
def test_a_partly_covered_mark_is_measured_from_what_is_visible(
    pattern: str, share: float, limit: float
) -> None:
    """A quarter, then half of the area of a 20 px mark hidden by texture."""
    rng = np.random.default_rng(12)
    errors = []
    for _ in range(12):
        view = view_of(rng, 20)
        clean = clean_picture(pattern, view)
        centre = np.array(view.centre)
        shape = found(pattern, view, rng).shape
        for _ in range(4):
            at = centre + rng.normal(0, 0.2, (1, 2))
            shape = measure_marks(Picture(scene.photograph(clean, NOISE, rng), 255.0), [shape], at)[
                0
            ].shape
        y, x = np.mgrid[: clean.shape[0], : clean.shape[1]]
        a = rng.uniform(0, 6.28)
        cover = (x - centre[0]) * np.cos(a) + (y - centre[1]) * np.sin(a) > share * 10
        texture = 110 + 25 * np.sin(0.9 * x + 1) + 25 * np.cos(0.7 * y)
        hidden = scene.photograph(np.where(cover, texture, clean), NOISE, rng)
        fix = measure_marks(
            Picture(hidden, 255.0), [shape], centre[None] + rng.normal(0, 0.3, (1, 2))
        )[0]
        if fix.ok:
            errors.append(fix.position - centre)
            assert fix.visible < 0.9
    assert len(errors) >= 10
    assert float(np.sqrt(np.mean(np.square(errors)))) < limit


def test_a_lighting_ramp_does_not_shift_a_mark() -> None:
    rng = np.random.default_rng(13)
    view = view_of(rng, 20)
    clean = clean_picture("disc", view)
    y, x = np.mgrid[: clean.shape[0], : clean.shape[1]]
    lit = clean * (1 + 0.3 * (0.6 * (x - view.centre[0]) + 0.8 * (y - view.centre[1])) / 20)
    fix = locate_mark(
        Picture(scene.photograph(lit, 0.0, rng), 255.0), "disc", np.array(view.centre), 20
    )
    assert np.abs(fix.position - view.centre).max() < 0.005


def test_motion_blur_leaves_the_middle_of_the_exposure() -> None:
    rng = np.random.default_rng(14)
    still = view_of(rng, 20)
    shape = found("quadrant", still, rng).shape
    motion = np.array([3.2, 2.4])
    moving = replace(still, motion=(3.2, 2.4))
    picture = scene.photograph(clean_picture("quadrant", moving), 0.0, rng)
    fix = measure_marks(Picture(picture, 255.0), [shape], np.array([still.centre]), motion[None])[0]
    assert fix.ok, fix.why
    assert np.abs(fix.position - still.centre).max() < 0.006


def test_a_tilted_disc_is_placed_at_its_centre_not_the_ellipses() -> None:
    """Eccentricity on axis: r² sin(2 a) / (2 f), e.g. Luhmann 2014, Photogramm. Rec. 29."""
    rng = np.random.default_rng(15)
    H = scene.photographed(40, 0.0, np.radians(60), 0.4, 800.0)
    view = scene.View((33.2, 32.7), H, 0.8)
    picture = scene.photograph(clean_picture("disc", view), 0.0, rng)
    shape = locate_mark(Picture(picture, 255.0), "disc", np.array(view.centre), 40.0).shape
    affine = measure_marks(Picture(picture, 255.0), [shape], np.array([view.centre]))[0]
    known = replace(shape, affine=H[:2, :2], perspective=H[2, :2])
    true = measure_marks(Picture(picture, 255.0), [known], np.array([view.centre]))[0]
    eccentricity = 20**2 * np.sin(np.radians(120)) / (2 * 800.0)
    off = np.hypot(*(affine.position - view.centre))
    assert off == pytest.approx(eccentricity, rel=0.1)
    assert np.hypot(*(true.position - view.centre)) < 0.01


def test_clipped_pixels_do_not_shift_a_mark() -> None:
    rng = np.random.default_rng(16)
    view = view_of(rng, 20)
    clean = clean_picture("disc", view) * 1.6
    fix = locate_mark(
        Picture(scene.photograph(clean, 1.0, rng), 255.0), "disc", np.array(view.centre), 20
    )
    assert np.hypot(*(fix.position - view.centre)) < 0.02


def gone(kind: str, rng: np.random.Generator, side: int) -> scene.Array:
    y, x = np.mgrid[:side, :side]
    if kind == "flat":
        return np.full((side, side), 110.0)
    if kind == "edge":
        return np.where(0.8 * x + 0.6 * y > 0.7 * side, 180.0, 60.0)
    return 110 + 60 * np.sin(0.5 * x + 0.2 * y) * np.cos(0.3 * y)


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("kind", ["flat", "edge", "waves"])
def test_a_mark_that_is_not_there_is_not_guessed(pattern: str, kind: str) -> None:
    rng = np.random.default_rng(17)
    view = view_of(rng, 20)
    shape = found(pattern, view, rng).shape
    scenery = scene.photograph(gone(kind, rng, 46), NOISE, rng)
    fix = measure_marks(Picture(scenery, 255.0), [shape], np.array([view.centre]))[0]
    assert not fix.ok
    assert fix.why


def test_a_mark_of_the_other_polarity_is_refused() -> None:
    rng = np.random.default_rng(18)
    view = view_of(rng, 20)
    shape = found("disc", view, rng).shape
    negative = 2 * DARK + CONTRAST - clean_picture("disc", view)
    picture = scene.photograph(negative, NOISE, rng)
    fix = measure_marks(Picture(picture, 255.0), [shape], np.array([view.centre]))[0]
    assert not fix.ok


def test_a_mark_outside_the_picture_is_refused_and_one_on_its_edge_is_measured() -> None:
    rng = np.random.default_rng(19)
    view = view_of(rng, 20, tilt=0.1)
    shape = found("quadrant", view, rng).shape
    picture = scene.photograph(clean_picture("quadrant", view), NOISE, rng)
    x = int(view.centre[0])
    edge = np.ascontiguousarray(picture[:, x - 3 :])
    at = np.array([view.centre]) - np.array([x - 3, 0])
    fix = measure_marks(Picture(edge, 255.0), [shape], at)[0]
    assert fix.ok, fix.why
    assert np.hypot(*(fix.position - at[0])) < 0.1
    away = measure_marks(Picture(picture, 255.0), [shape], np.array([[-40.0, 10.0]]))[0]
    assert not away.ok


def test_marks_measured_together_are_measured_as_alone() -> None:
    rng = np.random.default_rng(20)
    picture = np.full((60, 160), DARK)
    shapes: list[Shape] = []
    places = []
    for k, pattern in enumerate(("disc", "cross", "ring")):
        view = view_of(rng, 16)
        part = clean_picture(pattern, view)
        picture[5 : 5 + part.shape[0], 50 * k + 2 : 50 * k + 2 + part.shape[1]] = part
        shapes.append(found(pattern, view, rng).shape)
        places.append(np.array(view.centre) + np.array([50 * k + 2, 5]))
    grey = scene.photograph(picture, NOISE, rng)
    together = measure_marks(Picture(grey, 255.0), shapes, np.array(places))
    for i, fix in enumerate(together):
        alone = measure_marks(Picture(grey, 255.0), [shapes[i]], places[i][None])[0]
        assert alone.position == pytest.approx(fix.position, abs=1e-9)
