"""A camera from known lengths, for film without a survey."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.arrays import Array
from calibration.camera import Camera
from calibration.errors import Problem
from calibration.scale_bars.camera import Bar, camera_from_bars
from calibration.scale_bars.model import VIEWS
from calibration.scale_bars.options import SCALE_BARS
from tests.support.calibration_scenes import LENS, SIZE, looking

PINHOLE = LENS.with_values(np.array([1510.0, 1510, 639.5, 511.5, 0, 0, 0, 0, 0]))


def seen(camera: Camera, a: tuple[float, ...], b: tuple[float, ...], **more: object) -> Bar:
    """The bar from a to b as the camera sees it."""
    ends = np.array([a, b], dtype=np.float64)
    bar = Bar("bar", camera.project(ends), float(np.linalg.norm(ends[1] - ends[0])))
    return replace(bar, **more)  # type: ignore[arg-type]


def square_overhead() -> Camera:
    return Camera(PINHOLE, np.eye(3), np.array([0.0, 0, -15]))


def test_a_marker_nearer_the_camera_than_its_bar_appears_too_large() -> None:
    """Source: similar triangles: D 15 m, h 1.5 m: D/(D-h) = 1.11111; a point at X 4 m is shifted
    by X h/(D-h) = 0.44444 m.
    """
    bar = seen(square_overhead(), (-2, 0, 0), (2, 0, 0), along="x", depth=15.0)
    camera = camera_from_bars([bar], size=SIZE, lens=PINHOLE, view="above").camera

    on_roof = camera.project(np.array([[0, 0, -1.5], [4, 0, -1.5]]))
    taken_for_ground = _in_plane(camera, on_roof, 0.0)
    with_height = _in_plane(camera, on_roof, -1.5)

    apparent = np.linalg.norm(np.diff(taken_for_ground, axis=0)) / 4
    assert apparent == pytest.approx(1.11111, abs=1e-5)
    assert taken_for_ground[1, 0] - 4 == pytest.approx(0.44444, abs=1e-5)
    assert with_height[1] == pytest.approx([4, 0, -1.5], abs=1e-9)


def _in_plane(camera: Camera, pixels: Array, z: float) -> Array:
    rays = camera.rays(pixels)
    return np.asarray(camera.position + (z - camera.position[2]) / rays[:, 2:] * rays)


def test_one_bar_and_its_depth_give_focal_length_and_distance() -> None:
    """Source: pinhole, image = f X / Z."""
    bar = Bar("bar", np.array([[300.0, 620], [700, 622]]), 2.0, "x", depth=14.0, plane=0.86)

    found = camera_from_bars([bar], size=SIZE)

    camera = found.camera
    assert camera.lens.matrix[0, 0] / (camera.position[1] - 0.86) == pytest.approx(200, rel=1e-3)
    assert camera.position[1] - 0.86 == pytest.approx(14, rel=0.02)
    assert np.degrees(camera.covariance[0, 0] ** 0.5) == pytest.approx(2, rel=0.01)
    ends = camera.rays(bar.pixels)
    ends = camera.position + (0.86 - camera.position[1]) / ends[:, 1:2] * ends
    assert ends[1] - ends[0] == pytest.approx([2, 0, 0], abs=0.011)


@pytest.mark.parametrize(
    ("view", "right", "down"),
    [
        ("above", [1, 0, 0], [0, 1, 0]),
        ("right", [1, 0, 0], [0, 0, 1]),
        ("left", [-1, 0, 0], [0, 0, 1]),
    ],
)
def test_each_view_has_its_ground_axes_in_the_picture(
    view: str, right: list[float], down: list[float]
) -> None:
    """Source: SAE J670, x along the path, y to the right, z down."""
    bar = Bar("bar", np.array([[440.0, 511.5], [840, 511.5]]), 4.0, "x", depth=10.0)

    camera = camera_from_bars([bar], size=SIZE, view=view).camera  # type: ignore[arg-type]

    assert camera.rotation[0] == pytest.approx(right, abs=1e-6)
    assert camera.rotation[1] == pytest.approx(down, abs=1e-6)
    assert np.linalg.det(camera.rotation) == pytest.approx(1)
    assert camera.project(np.zeros((1, 3)))[0] == pytest.approx([639.5, 511.5], abs=1e-5)


def test_bars_on_two_heights_tell_the_distance() -> None:
    """Source: similar triangles, scale = f / (D - h)."""
    overhead = square_overhead()
    low = seen(overhead, (-4, -1, -0.9), (-4, 1, -0.9), plane=-0.9, pixel_u=0.02)
    high = seen(overhead, (3, -1, -3.0), (3, 1, -3.0), plane=-3.0, pixel_u=0.02)

    found = camera_from_bars([low, high], size=SIZE, view="above", tilt_u=1e-4)

    u = np.sqrt(found.camera.covariance[5, 5])
    assert u < 0.3
    assert abs(found.camera.position[2] + 15) < 2 * u


def test_a_tilt_nobody_measured_stays_in_the_uncertainty() -> None:
    rng = np.random.default_rng(2)
    within, errors = [], []
    for _ in range(40):
        tilt = np.radians(2) * rng.standard_normal(2)
        camera = square_overhead().with_change(np.array([*tilt, *np.zeros(13)]))
        origin = _in_plane(camera, np.array([[639.5, 511.5]]), 0.0)[0]
        camera = replace(camera, position=camera.position - origin)
        bar = seen(camera, (-1, 0, 0), (1, 0, 0), along="x", depth=15 * (1 + 0.02 * rng.normal()))
        bar = replace(bar, pixels=bar.pixels + 0.5 * rng.standard_normal((2, 2)))
        found = camera_from_bars([bar], size=SIZE, lens=PINHOLE, view="above").camera
        # a place on the ground 4 m to the side, as this camera would report it
        pixel = camera.project(np.array([[4.0, 0, 0]]))
        place = _in_plane(found, pixel, 0.0)[0]
        _, by_point, by_camera = found.project_with_derivatives(place[None])
        moves = np.linalg.solve(by_point[0][:, :2], -by_camera[0])
        u = np.sqrt(np.diag(moves @ found.covariance @ moves.T))
        errors.append(abs(place[0] - 4))
        within.append(abs(place[0] - 4) < 2 * u[0])

    assert np.mean(within) >= 0.9
    assert np.mean(errors) > 0.01


def test_bars_that_contradict_each_other_are_named_and_trusted_less() -> None:
    overhead = square_overhead()
    good = seen(overhead, (-2, -1, 0), (2, -1, 0), along="x", depth=15.0)
    bad = replace(seen(overhead, (-2, 1, 0), (2, 1, 0), along="x", depth=15.0), length=5.0)

    sound = camera_from_bars([good], size=SIZE, lens=PINHOLE, view="above", tilt_u=1e-3)
    found = camera_from_bars([good, bad], size=SIZE, lens=PINHOLE, view="above", tilt_u=1e-3)

    assert found.findings[0].code == "scale_contradiction"
    assert found.camera.covariance[5, 5] > sound.camera.covariance[5, 5]


def test_several_bars_show_the_camera_s_tilt() -> None:
    tilted = square_overhead().with_change(np.array([0, np.radians(4), *np.zeros(13)]))
    bars = [
        replace(seen(tilted, (x, -2, 0), (x, 2, 0)), name=f"{x}", pixel_u=0.05) for x in (-4, 0, 4)
    ]

    found = camera_from_bars(bars, size=SIZE, lens=PINHOLE, view="above")

    line_of_sight = found.camera.rotation[2]
    assert np.degrees(np.arcsin(abs(line_of_sight[0]))) == pytest.approx(4, abs=0.4)
    assert any(f.code == "tilt_estimated" for f in found.findings)


def test_the_scale_holds_whatever_the_unknown_distance() -> None:
    """A length in the bar's own plane needs neither focal length nor distance."""
    overhead = looking([0, 0, -9], [0, 1e-9, 0], PINHOLE)
    bar = seen(overhead, (0, -1, -0.9), (0, 1, -0.9), plane=-0.9)

    found = camera_from_bars([bar], size=SIZE)

    ends = _in_plane(found.camera, bar.pixels, -0.9)
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(2, rel=2e-3)
    assert any(f.code == "distance_vague" for f in found.findings)


def rolled_side(roll: float, *tilt: float) -> Camera:
    return Camera(PINHOLE, VIEWS["right"], np.array([0.0, 12, -1])).with_change(
        np.array([*(tilt or (0.0, 0.0)), roll, *np.zeros(12)])
    )


def test_a_level_line_without_a_length_tells_the_camera_s_roll() -> None:
    """What moves level at 20 m/s seems to rise at 20 tan(roll) by a camera nobody levelled."""
    camera = rolled_side(np.radians(3))
    on_car = replace(seen(camera, (-1, 0, 0), (1, 0, 0)), depth=12.0)
    kerb = replace(seen(camera, (-3, -4, 0.5), (3, -4, 0.5), along="x"), along_u=SCALE_BARS.level_u)
    way = camera.project(np.array([[-2.0, 0, 0], [2, 0, 0]]))

    slopes = []
    for bars in ([on_car], [on_car, replace(kerb, length=None)]):
        found = camera_from_bars(bars, size=SIZE, lens=PINHOLE, view="right").camera
        rays = found.rays(way)
        ends = found.position + (0 - found.position[1]) / rays[:, 1:2] * rays
        step = ends[1] - ends[0]
        slopes.append((20 * step[2] / step[0], 20 * np.sqrt(found.covariance[2, 2])))

    (without, its_u), (rise, u) = slopes
    assert abs(without) == pytest.approx(20 * np.tan(np.radians(3)), rel=0.01)
    assert its_u == pytest.approx(20 * np.radians(2), rel=0.02)
    assert abs(rise) < 0.05
    assert (
        20 * SCALE_BARS.level_u < u < 1.3 * 20 * SCALE_BARS.level_u
    )  # a tilt would turn this line by a little


@pytest.mark.parametrize("along", ["x", "z"])
def test_the_roll_by_a_line_is_as_uncertain_as_it_says(along: str) -> None:
    rng = np.random.default_rng(5)
    z = []
    for _ in range(40):
        tilts = SCALE_BARS.tilt_u * rng.standard_normal(3)
        camera = rolled_side(*tilts[[2, 0, 1]])
        lean = SCALE_BARS.level_u * rng.standard_normal()
        across = np.array([np.cos(lean), 0, np.sin(lean)])
        if along == "z":
            across = np.array([-np.sin(lean), 0, np.cos(lean)])
        ends = np.array([0, -4, 0]) + np.outer([-1.5, 1.5], across)
        pixels = camera.project(ends) + 0.5 * rng.standard_normal((2, 2))
        line = Bar("line", pixels, None, along, along_u=SCALE_BARS.level_u)  # type: ignore[arg-type]
        bar = seen(camera, (-1, 0, 0), (1, 0, 0), depth=12.0)
        found = camera_from_bars([line, bar], size=SIZE, lens=PINHOLE, view="right").camera
        off = found.rotation @ camera.rotation.T
        z.append((off[1, 0] - off[0, 1]) / 2 / np.sqrt(found.covariance[2, 2]))

    assert np.std(z) == pytest.approx(1.0, abs=0.25)
    assert np.mean(np.abs(z) < 2) > 0.9


def test_plumb_lines_that_converge_show_the_camera_s_tilt() -> None:
    camera = rolled_side(0.0, np.radians(5), 0.0)
    poles = [
        replace(seen(camera, (x, 0, -2), (x, 0, 2), along="z"), length=None, pixel_u=0.1)
        for x in (-3.5, 3.5)
    ]
    bar = seen(camera, (-1, 0, 0), (1, 0, 0), depth=12.0)

    found = camera_from_bars([bar, *poles], size=SIZE, lens=PINHOLE, view="right")

    assert np.degrees(np.arcsin(found.camera.rotation[2, 2])) == pytest.approx(
        np.degrees(np.arcsin(camera.rotation[2, 2])), abs=0.2
    )
    assert any(f.code == "tilt_estimated" for f in found.findings)


def test_lines_alone_give_no_scale_and_lines_of_sight_no_roll() -> None:
    camera = rolled_side(0.0)
    bar = seen(camera, (-1, 0, 0), (1, 0, 0), depth=12.0)
    level = replace(seen(camera, (-3, 0, 1), (3, 0, 1), along="x"), length=None)
    with pytest.raises(Problem, match="level lines alone give no scale"):
        camera_from_bars([level], size=SIZE, view="right")
    away = replace(level, along="y", name="bar 2")
    found = camera_from_bars([bar, away], size=SIZE, lens=PINHOLE, view="right")
    assert [f.code for f in found.findings] == ["line_blind"]


def test_film_without_survey_or_bar_is_refused() -> None:
    with pytest.raises(Problem, match="neither a survey nor a scale bar"):
        camera_from_bars([], size=SIZE)


@pytest.mark.parametrize(
    "wrong",
    [
        Bar("bar", np.array([[10.0, 10], [10, 11]]), 2.0),
        Bar("bar", np.array([[10.0, 10], [400, 11]]), 0.0),
        Bar("bar", np.array([[10.0, 10], [400, 11]]), 2.0, depth=-3.0),
    ],
)
def test_a_bar_without_length_or_before_the_camera_is_refused(wrong: Bar) -> None:
    with pytest.raises(Problem, match="bar"):
        camera_from_bars([wrong], size=SIZE)
