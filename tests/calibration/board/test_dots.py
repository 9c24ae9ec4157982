"""A lens from a board of discs, drawn through a known lens at three by three points a pixel."""

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.spatial import cKDTree

from calibration.arrays import Array
from calibration.board.calibrate import LensCalibration, lens_from_dots
from calibration.board.dots import DotBoard
from calibration.camera import Camera, Lens
from calibration.errors import Problem
from tracker.camera.lens_source import read_lens
from tracker.record.camera import LensEntry

SIZE = (640, 480)
TRUE = Lens(
    np.array([[600.0, 0, 322], [0, 600, 236], [0, 0, 1]]), np.array([-0.2, 0.05, 0, 0, 0]), SIZE
)
VIEWS = [
    (0.5, 0, 0, 0, 0),
    (-0.5, 0.1, 0.2, 1, 0.5),
    (0, 0.6, 0, -1, 0.5),
    (0.1, -0.6, -0.1, 1, -0.5),
    (0.4, 0.4, 0.4, -1, -0.5),
    (-0.4, 0.4, 1.5, 0, 0),
    (0.45, -0.4, 0, 0.5, 0.5),
]
"""Tilt, pan, roll (rad), shifts (board units) of each picture."""


def drawn(places: Array, radius: float, light: bool = False) -> list[tuple[str, Array]]:
    """Pictures of discs (n, 3) of this radius, and one of nothing."""
    rng = np.random.default_rng(1)
    u, v = np.meshgrid((np.arange(3 * SIZE[0]) - 1) / 3, (np.arange(3 * SIZE[1]) - 1) / 3)
    normal = cv2.undistortPoints(
        np.column_stack([u.ravel(), v.ravel()])[:, None], TRUE.matrix, TRUE.distortion
    ).reshape(*u.shape, 2)
    rays = np.concatenate([normal, np.ones((*u.shape, 1))], axis=2)
    middle, extent = places.mean(axis=0), float(np.ptp(places, axis=0).max())
    out = [("empty", np.full(SIZE[::-1], 128, np.uint8))]
    for i, (tilt, pan, roll, x, y) in enumerate(VIEWS):
        rotation, _ = cv2.Rodrigues(np.array([tilt, pan, roll]))
        far = np.array([0.08 * x, 0.08 * y, 1.9]) * extent
        camera = Camera(TRUE, np.asarray(rotation), middle - rotation.T @ far)
        way = rays @ camera.rotation
        at = (camera.position - camera.position[2] / way[..., 2:] * way)[..., :2]
        inside = cKDTree(places[:, :2]).query(at, distance_upper_bound=radius)[0] < radius
        grey = np.where(inside != light, 40.0, 210.0)
        grey = grey.reshape(SIZE[1], 3, SIZE[0], 3).mean(axis=(1, 3))
        grey = cv2.GaussianBlur(grey, (0, 0), 0.7) + 2 * rng.standard_normal(SIZE[::-1])
        out.append((f"view {i}", np.clip(np.rint(grey), 0, 255).astype(np.uint8)))
    return out


def rows(columns: int, count: int) -> Array:
    """Centres in rows, m."""
    return np.array([(0.02 * i, 0.02 * j, 0.0) for j in range(count) for i in range(columns)])


def staggered(columns: int, count: int) -> Array:
    """Centres in OpenCV's asymmetric arrangement, m."""
    return np.array(
        [(0.02 * (2 * i + j % 2), 0.02 * j, 0.0) for j in range(count) for i in range(columns)]
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("board", "places", "light"),
    [
        (DotBoard((9, 7), 0.02), rows, False),
        (DotBoard((8, 8), 0.02), rows, True),
        (DotBoard((4, 9), 0.02), staggered, False),
    ],
)
def test_discs_give_the_lens_within_its_uncertainty(
    board: DotBoard, places: Callable[[int, int], Array], light: bool
) -> None:
    found = lens_from_dots(drawn(places(*board.grid), 0.0062, light), board)

    u = np.sqrt(np.diag(found.lens.covariance))
    off = (found.lens.values - TRUE.values)[:8] / u[:8]
    assert np.all(np.abs(off) < 4), off
    assert found.lens.matrix[0, 0] == pytest.approx(600, rel=2e-3)
    assert found.rms_px < 0.05
    assert len(found.residuals) >= len(VIEWS) - 1
    assert [f.code for f in found.findings if "empty" in f.text] == ["lens_picture_blind"]


@pytest.mark.slow
def test_centroids_alone_would_put_the_lens_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """A tilted disc's image has its centroid off the image of its centre (perspective)."""
    import calibration.board.calibrate as room

    board, pictures = DotBoard((5, 4), 0.02), drawn(rows(5, 4), 0.0075)
    corrected = lens_from_dots(pictures, board)
    monkeypatch.setattr(room, "with_true_centres", lambda dots, _: [s.sighting for s in dots])
    plain = lens_from_dots(pictures, board)

    assert _worst(corrected) < 0.5 * _worst(plain)


def _worst(found: LensCalibration) -> float:
    """Largest error of the lens over the middle of the picture, px, at fixed directions."""
    x, y = np.meshgrid([-0.3, 0.0, 0.3], [-0.2, 0.0, 0.2])
    points = np.column_stack([x.ravel(), y.ravel(), np.ones(9)])
    here, there = (
        Camera(lens, np.eye(3), np.zeros(3)).project(points) for lens in (found.lens, TRUE)
    )
    return float(np.abs(here - there).max())


@pytest.mark.slow
def test_a_record_names_pictures_of_a_board_of_discs(tmp_path: Path) -> None:
    for name, picture in drawn(rows(9, 7), 0.0062)[:6]:
        cv2.imwrite(str(tmp_path / f"{name}.png"), picture)
    entry = LensEntry(dots="*.png", grid=(9, 7), spacing="20 mm")

    found = read_lens(entry, tmp_path, SIZE, "overhead")

    assert found.lens is not None
    assert found.lens.matrix[0, 0] == pytest.approx(600, rel=5e-3)
    assert any("empty.png" in w.text for w in found.warnings)


@pytest.mark.slow
def test_another_number_of_discs_is_refused() -> None:
    with pytest.raises(Problem, match="12 x 7 discs is found in 0 of 3 pictures"):
        lens_from_dots(drawn(rows(9, 7), 0.006)[:3], DotBoard((12, 7), 0.02))
