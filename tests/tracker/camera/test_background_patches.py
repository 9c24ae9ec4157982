"""Film without fixed targets is stabilised by what is behind the vehicles."""

from pathlib import Path

import numpy as np
import pytest

from calibration.arrays import Array
from calibration.image_motion.stabilise import stabilise_picture
from tracker.camera.background_patches import find_background
from tracker.core.types import Status, Tracks
from tracker.demo import Scenario
from tracker.demo.render import Painter
from tracker.demo.scene import make_scene
from tracker.demo.tracks import true_tracks
from tracker.demo.write import write_movie
from tracker.film import Film, open_film

pytestmark = pytest.mark.slow

SCENARIO = Scenario.quick(before=0.012, after=0.04, weave=1.0, flash=False)


@pytest.fixture(scope="module", params=["overhead", "side"])
def filmed(request, tmp_path_factory: pytest.TempPathFactory) -> tuple[Film, Tracks, Array]:
    """A rendered film that weaves by 1 px rms, where its vehicles' marks are, its true motion."""
    scene = make_scene(SCENARIO)
    painter = Painter(scene, request.param)
    path = tmp_path_factory.mktemp("film") / "film.mp4"
    write_movie(path, painter.frames(), SCENARIO.frame_rate)
    true = true_tracks(scene, request.param)
    kept = [i for i, name in enumerate(true.marks) if not name.startswith("survey.")]
    position = np.where(true.visible_mask[:, kept, None], true.pixels[:, kept], np.nan)
    names = tuple(np.array(list(true.marks))[kept].tolist())
    status = np.where(true.visible_mask[:, kept], Status.MEASURED, Status.HIDDEN).astype(np.int8)
    covariance = np.broadcast_to(1e-4 * np.eye(2), (*status.shape, 2, 2))
    tracks = Tracks(request.param, names, position, covariance, status)
    return open_film(str(path), frame_rate=SCENARIO.frame_rate), tracks, painter.motion


def test_weave_is_taken_out_to_a_few_hundredths_of_a_pixel(
    filmed: tuple[Film, Tracks, Array],
) -> None:
    film, tracks, motion = filmed

    found = find_background(film, tracks)

    assert found is not None
    steady = stabilise_picture(found.names, found.position, found.covariance, size=film.size)
    centre = (np.array(film.size) - 1) / 2
    expected = motion[:, :2] - motion[:, :2].mean(axis=0)
    about = (
        steady.picture_pixels(np.arange(film.frames), np.tile(centre, (film.frames, 1))) - centre
    )
    left = about - about.mean(axis=0) - expected
    assert expected.std() > 0.7
    assert left.std() < 0.05
    assert found.covariance[0, :, 0, 0].mean() ** 0.5 < 0.2


def test_nothing_is_taken_from_the_vehicles(filmed: tuple[Film, Tracks, Array]) -> None:
    film, tracks, _ = filmed
    found = find_background(film, tracks)
    assert found is not None

    start = found.position[film.frames // 2]
    marks = tracks.position[:, [n.startswith("car.") for n in tracks.marks]].reshape(-1, 2)
    low, high = np.nanmin(marks, axis=0), np.nanmax(marks, axis=0)

    assert not ((start > low) & (start < high)).all(axis=1).any()


def test_a_picture_without_texture_gives_no_background(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    plain = [(128 + 3 * rng.standard_normal((240, 320))).astype(np.uint8) for _ in range(6)]
    write_movie(tmp_path / "plain.mp4", plain, 500.0)
    film = open_film(str(tmp_path / "plain.mp4"), frame_rate=500.0)
    nothing = Tracks(
        "c", (), np.empty((6, 0, 2)), np.empty((6, 0, 2, 2)), np.empty((6, 0), dtype=np.int8)
    )

    assert find_background(film, nothing) is None
