"""The pictures are where the geometry says, to a hundredth of a pixel."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tracker.demo import raster, surfaces, truck
from tracker.demo.render import Painter
from tracker.demo.scenario import Scenario, motion_matrix, moved_pixels, picture_motion
from tracker.demo.scene import Scene, make_scene, marks_of
from tracker.demo.tracks import true_tracks

SCENARIO = Scenario.quick(before=0.02, after=0.06, dust=False)


@pytest.fixture(scope="module")
def scene() -> Scene:
    return make_scene(SCENARIO)


@pytest.fixture(scope="module")
def painters(scene: Scene) -> dict[str, Painter]:
    return {name: Painter(scene, name) for name in SCENARIO.views}


def seen_circle(scene: Scene, camera, full: str, time: float):
    """Centroid (2,) and outline (n, 2) of a round mark's picture: Green's theorem on its edge."""
    mark = marks_of(scene)[full]
    turn, origin = scene.place(full.split(".")[0], time)
    normal = np.array(mark.normal)
    a = np.cross(normal, [0.3, 0.5, 0.8])
    a /= np.linalg.norm(a)
    t = np.linspace(0, 2 * np.pi, 361)[:-1, None]
    edge = mark.at + mark.size / 2 * (np.cos(t) * a + np.sin(t) * np.cross(normal, a))
    outline = camera.project(edge @ turn.T + origin)
    x, y = outline.T
    nx, ny = np.roll(x, -1), np.roll(y, -1)
    c = x * ny - nx * y
    return np.array([((x + nx) * c).sum(), ((y + ny) * c).sum()]) / (3 * c.sum()), outline


def measured_circle(picture, about, radius):
    """Centroid (2,) of what is darker than the plate round a disc."""
    rows, cols = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]]
    away = np.hypot(cols - about[0], rows - about[1])
    plate = np.median(picture[(away > radius + 2.0) & (away < radius + 2.6)])
    weight = np.where(away < radius + 2.4, plate - picture, 0.0)
    return np.array([(weight * cols).sum(), (weight * rows).sum()]) / weight.sum()


@pytest.mark.parametrize(
    ("camera", "mark"),
    [
        ("overhead", "car.roof2"),
        ("overhead", "truck.block2"),
        ("side", "car.door1"),
        ("side", "truck.side2"),
    ],
)
@pytest.mark.parametrize("time", [-0.0173, 0.0311])
def test_a_disc_lies_where_the_camera_projects_it(
    scene: Scene, painters: dict[str, Painter], camera: str, mark: str, time: float
) -> None:
    """Also in motion: at 25 m/s, the picture's centroid is that of the exposure's middle."""
    painter = painters[camera]
    true, outline = seen_circle(scene, painter.camera, mark, time)
    radius = np.hypot(*(outline - true).T).max()
    found = measured_circle(painter.clean(time), true, radius)
    assert np.abs(found - true).max() < 0.012


def test_a_quadrant_meets_where_the_camera_projects_it(painters: dict[str, Painter]) -> None:
    """Against OpenCV's saddle-point refinement (cornerSubPix)."""
    painter = painters["overhead"]
    picture = np.clip(painter.clean(-0.01), 0, 255).astype(np.float32)
    tracks = true_tracks(painter.scene, "overhead")
    names = [n for n in tracks.sighted_marks if n.startswith("survey.")]
    index = [list(tracks.marks).index(n) for n in names]
    true = tracks.pixels[0, index]
    start = np.ascontiguousarray(np.round(true)[:, None, :], dtype=np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
    found = cv2.cornerSubPix(picture.astype(np.uint8), start, (6, 6), (-1, -1), stop)[:, 0, :]
    assert len(names) >= 8
    assert np.sqrt(((found - true) ** 2).mean()) < 0.05


def test_rays_undo_the_lens(painters: dict[str, Painter]) -> None:
    """Against the camera's own Newton inversion."""
    for painter in painters.values():
        rays = painter.still.rays[0]
        pixels = np.array([[3, 5], [320, 256], [630, 500], [40, 480]])
        du, dv = 0.125, 0.375
        expected = painter.camera.rays(np.add(pixels, [du, dv]))
        found = rays[:, pixels[:, 1], pixels[:, 0]].T
        found = found / np.linalg.norm(found, axis=1, keepdims=True)
        assert np.abs(found - expected).max() < 1e-6


def test_the_flash_begins_within_an_exposure(scene: Scene) -> None:
    """The share of the first lit frame is the share of its exposure after time zero."""
    views = {n: replace(v, zero_frame=0.03) for n, v in SCENARIO.views.items()}
    quiet = replace(scene, scenario=replace(SCENARIO, views=views, read_noise=0.0, shot_noise=0.0))
    painter = Painter(quiet, "side")
    zero = round(SCENARIO.before * SCENARIO.frame_rate)
    u, v, w, h = painter.flash_region()
    levels = [
        painter.frame(i)[v : v + h, u : u + w].astype(float).mean()
        for i in range(zero - 2, zero + 2)
    ]
    dark, still_dark, first, full = levels
    assert still_dark == pytest.approx(dark, abs=0.02)
    half, late = SCENARIO.exposure / 2, 0.03 / SCENARIO.frame_rate
    share = (half - late) / (2 * half)
    assert (first - dark) / (full - dark) == pytest.approx(share, rel=0.05)


def test_noise_has_the_sensors_variance(scene: Scene) -> None:
    """Photon-transfer: variance of the difference of two pictures of what stands still."""
    painter = Painter(scene, "side")
    a, b = (painter.frame(i).astype(float)[:150, :300] for i in (0, 1))
    level = a.mean()
    expected = np.sqrt(SCENARIO.read_noise**2 + SCENARIO.shot_noise**2 * level + 1 / 12)
    assert (a - b).std() / np.sqrt(2) == pytest.approx(expected, rel=0.02)


def test_weave_moves_the_picture_as_the_true_tracks_say(scene: Scene) -> None:
    weaving = replace(SCENARIO, weave=1.5, read_noise=0.0, shot_noise=0.0, flash=False)
    moved_scene = replace(scene, scenario=weaving)
    painter = Painter(moved_scene, "overhead")
    time = weaving.frame_times("overhead")
    for i in (2, 11):
        still, outline = seen_circle(scene, painter.camera, "truck.block2", float(time[i]))
        radius = np.hypot(*(outline - still).T).max()
        expected = moved_pixels(still, painter.motion[i], weaving.size)
        assert np.hypot(*(expected - still)) > 0.2
        found = measured_circle(painter.frame(i).astype(float), expected, radius)
        assert np.abs(found - expected).max() < 0.03


def test_weave_has_the_wanted_size() -> None:
    motion = picture_motion(Scenario(weave=2.0), "side")
    assert motion[:, 0].std() == pytest.approx(2.0, rel=0.15)
    matrix = motion_matrix(np.array([1.0, -2.0, 0.0, 0.0]), (640, 512))
    assert matrix == pytest.approx(np.array([[1, 0, 1], [0, 1, -2]]))


def test_each_camera_sees_only_its_own_side(scene: Scene) -> None:
    overhead, side = (set(true_tracks(scene, n).sighted_marks) for n in ("overhead", "side"))
    assert {"car.roof1", "car.bonnet1", "truck.bed1", "survey.g4"} <= overhead
    assert {"car.door1", "truck.side2", "survey.b2", "survey.s2"} <= side
    assert not any(n.startswith(("car.left", "survey.b")) for n in overhead)
    assert not any(n.startswith(("car.left", "car.roof", "survey.g")) for n in side)


def test_a_mark_behind_a_body_is_hidden() -> None:
    origin = np.zeros(3)
    wall = np.array([[[5.0, -1, -1], [5, 1, -1], [5, 1, 1], [5, -1, 1]]])[:, ::-1]
    kinds, looks = np.array([surfaces.PLAIN]), np.zeros((1, raster.PARAMETERS), dtype=np.float32)
    points = np.array([[9.0, 0, 0], [9.0, 6, 0], [3.0, 0, 0]])
    normals = np.tile([-1.0, 0, 0], (3, 1))
    both = np.concatenate([wall, wall[:, ::-1]])  # a face is seen from its front alone
    kinds, looks = np.repeat(kinds, 2), np.repeat(looks, 2, axis=0)
    faces = raster.front_faces(both[None], np.zeros((1, 2)), kinds, looks, origin)
    seen = raster.sighted_mask(origin, points, normals, faces)
    assert seen.tolist() == [False, True, True]


@pytest.mark.parametrize("crush", [0.0, 0.4, 1.7, 2.6])
def test_the_cushions_bays_add_up_to_what_is_left_of_it(crush: float) -> None:
    frames = truck.frame_places(crush)
    assert frames[-1] - frames[0] == pytest.approx(truck.CUSHION_LENGTH - crush, abs=0.02)
    assert (np.diff(frames) > 0.05).all()


def test_a_film_whose_speed_rises_has_frames_ever_closer_in_time() -> None:
    plan = Scenario(drift=0.03)
    time = plan.frame_times("side")
    steps = np.diff(time)
    assert steps[0] / steps[-1] == pytest.approx(1.03, rel=1e-3)
    assert (len(steps) / (time[-1] - time[0])) == pytest.approx(plan.frame_rate, rel=1e-3)
    assert np.interp(plan.zero_frame("side"), np.arange(len(time)), time) == pytest.approx(
        0, abs=1e-6
    )


def test_the_timing_light_is_lit_for_half_of_its_periods(scene: Scene) -> None:
    blinking = replace(SCENARIO, timing_light=125.0, read_noise=0.0, shot_noise=0.0)
    painter = Painter(replace(scene, scenario=blinking), "side")
    u, v, w, h = painter.light_region()
    greys = [painter.frame(i)[v : v + h, u : u + w].mean() for i in range(8)]  # two periods
    assert np.mean(greys) == pytest.approx(35 + 75, abs=8)
    assert greys[:4] == pytest.approx(greys[4:], abs=1)
