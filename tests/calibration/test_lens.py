"""Lenses from chessboards, coefficients and files."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.errors import Problem
from calibration.lens import (
    Board,
    LensUncertainty,
    given_lens,
    lens_from_board,
    lens_from_chessboard,
    load_lens,
    sagitta,
    save_lens,
    straightness,
)
from tests.support.calibration_scenes import LENS

SIZE = (640, 480)
TRUE = Lens(
    np.array([[600.0, 0, 322], [0, 600, 236], [0, 0, 1]]), np.array([-0.2, 0.05, 0, 0, 0]), SIZE
)
CORNERS = (7, 5)


def sights() -> Array:
    """Where in normalised coordinates each third of a pixel of the true lens looks."""
    u, v = np.meshgrid(np.arange(0, SIZE[0]), np.arange(0, SIZE[1]))
    normal = cv2.undistortPoints(
        np.column_stack([u.ravel(), v.ravel()]).astype(np.float64)[:, None],
        TRUE.matrix,
        TRUE.distortion,
    )
    coarse = normal.reshape(SIZE[1], SIZE[0], 2)
    return np.asarray(cv2.resize(coarse, None, fx=3, fy=3, interpolation=cv2.INTER_LINEAR))


def picture(normal: Array, camera: Camera, rng: np.random.Generator) -> Array:
    """A chessboard with squares of 1 as the camera sees it, with noise of 2 grey levels."""
    rays = np.concatenate([normal, np.ones((*normal.shape[:2], 1))], axis=2) @ camera.rotation
    places = camera.position - camera.position[2] / rays[..., 2:] * rays
    x, y = places[..., 0] + 1, places[..., 1] + 1
    dark = (np.floor(x) + np.floor(y)) % 2 == 0
    on_board = (x > 0) & (y > 0) & (x < CORNERS[0] + 1) & (y < CORNERS[1] + 1)
    fine = np.where(on_board & dark, 40.0, 210.0)
    grey = fine.reshape(SIZE[1], 3, SIZE[0], 3).mean(axis=(1, 3))
    grey = cv2.GaussianBlur(grey, (0, 0), 0.7)
    return np.asarray(np.clip(grey + 2 * rng.standard_normal(grey.shape), 0, 255).astype(np.uint8))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight pictures of a chessboard, and one in which it isn't seen."""
    path = tmp_path_factory.mktemp("lens")
    rng = np.random.default_rng(1)
    middle = np.array([3.0, 2.0, 0.0])
    normal = sights()
    for i, (tilt, pan, roll, x, y) in enumerate(
        [
            (0.4, 0, 0, 0, 0),
            (-0.4, 0.1, 0.2, 1, 0.5),
            (0, 0.5, 0, -1, 0.5),
            (0.1, -0.5, -0.1, 1, -0.5),
            (0.3, 0.3, 0.4, -1, -0.5),
            (-0.3, 0.3, 1.5, 0, 0),
            (0.35, -0.3, 0, 0.5, 0.5),
            (0, 0.1, 0, 0, 0),
        ]
    ):
        rotation, _ = cv2.Rodrigues(np.array([tilt, pan, roll]))
        position = middle - rotation.T @ np.array([x, y, 10.5])
        cv2.imwrite(
            str(path / f"board{i}.png"), picture(normal, Camera(TRUE, rotation, position), rng)
        )
    cv2.imwrite(str(path / "empty.png"), np.full((SIZE[1], SIZE[0]), 128, np.uint8))
    return path


def test_a_rendered_chessboard_gives_its_lens_within_its_uncertainty(folder: Path) -> None:
    found = lens_from_chessboard(sorted(folder.glob("*.png")), inner_corners=CORNERS, square=0.03)

    u = np.sqrt(np.diag(found.lens.covariance))
    assert np.all(np.abs(found.lens.values - TRUE.values)[:8] < 4 * u[:8])
    assert found.lens.matrix[0, 0] == pytest.approx(600, rel=2e-3)
    assert found.rms_px < 0.1
    assert len(found.errors) == 8 * CORNERS[0] * CORNERS[1]
    assert any("empty.png" in f.text for f in found.findings)


def test_a_picture_of_another_zoom_is_left_out_and_named(folder: Path, tmp_path: Path) -> None:
    for i in range(7):
        grey = cv2.imread(str(folder / f"board{i}.png"), cv2.IMREAD_GRAYSCALE)
        assert grey is not None
        if i == 2:
            grey = cv2.resize(grey, None, fx=0.8, fy=1.0)
            grey = cv2.copyMakeBorder(grey, 0, 0, 64, 64, cv2.BORDER_REPLICATE)
        cv2.imwrite(str(tmp_path / f"b{i}.png"), grey)

    found = lens_from_chessboard(sorted(tmp_path.glob("*")), inner_corners=CORNERS, square=0.03)

    assert found.left_out == ("b2.png",)
    assert found.residuals["b2.png"] > 3 * found.rms_px
    assert found.lens.matrix[0, 0] == pytest.approx(600, rel=4e-3)


def test_too_few_boards_are_refused(folder: Path) -> None:
    with pytest.raises(Problem, match="is found in 2 of 3 pictures"):
        lens_from_chessboard(
            [folder / "board0.png", folder / "board1.png", folder / "empty.png"],
            inner_corners=CORNERS,
            square=0.03,
        )


def test_a_file_that_is_no_picture_is_refused(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "notes.png").write_text("not a picture")

    with pytest.raises(Problem, match=r"notes\.png"):
        lens_from_chessboard([tmp_path / "notes.png"], inner_corners=CORNERS, square=0.03)


def test_a_saved_lens_is_the_same_lens_again(tmp_path: Path) -> None:
    lens = given_lens(LENS.matrix.tolist(), LENS.distortion.tolist(), LENS.size)
    save_lens(tmp_path / "lens.json", lens, source="chessboard")

    again = load_lens(tmp_path / "lens.json", size=LENS.size)

    assert np.array_equal(again.values, lens.values)
    assert np.array_equal(again.covariance, lens.covariance)
    assert again.size == lens.size


def test_a_lens_file_for_another_picture_size_is_refused(tmp_path: Path) -> None:
    save_lens(tmp_path / "lens.json", LENS, source="chessboard")

    with pytest.raises(Problem, match="1280 x 1024"):
        load_lens(tmp_path / "lens.json", size=(640, 512))


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"schema": 1, "kind": "lens", "size": [4]}'])
def test_a_damaged_lens_file_is_refused(tmp_path: Path, content: str) -> None:
    (tmp_path / "lens.json").write_text(content)

    with pytest.raises(Problem, match=r"lens\.json"):
        load_lens(tmp_path / "lens.json")


@pytest.mark.parametrize(
    ("matrix", "distortion"),
    [
        ([[1500, 0, 640], [0, 1500, 512]], [0] * 5),
        ([[1500, 3, 640], [0, 1500, 512], [0, 0, 1]], [0] * 5),
        ([[-1500, 0, 640], [0, 1500, 512], [0, 0, 1]], [0] * 5),
        ([[1500, 0, 1640], [0, 1500, 512], [0, 0, 1]], [0] * 5),
        ([[1500, 0, 640], [0, 1500, 512], [0, 0, 1]], [0, 0, 0, 0, 0, 0.1]),
    ],
)
def test_impossible_coefficients_are_refused(
    matrix: list[list[float]], distortion: list[float]
) -> None:
    with pytest.raises(Problem):
        given_lens(matrix, distortion, (1280, 1024))


def test_straight_lines_come_out_straight_only_with_the_right_distortion() -> None:
    """Source: plumb-line method, Brown 1971."""
    line = np.column_stack([np.linspace(-0.35, 0.35, 30), np.full(30, 0.28)])
    pixels = LENS.distort_points(line)[0]
    pinhole = LENS.with_values(np.array([*LENS.values[:4], 0, 0, 0, 0, 0]))

    assert np.abs(straightness(LENS, pixels)).max() < 1e-9
    assert np.abs(straightness(pinhole, pixels)).max() > 2


def test_a_board_with_markers_may_be_seen_in_part(tmp_path: Path) -> None:
    """Boards drawn by OpenCV's own CharucoBoard.generateImage, both conventions of it; each
    picture misses a part of the board, and one picture of seven is of another zoom.
    """
    normal, rng = sights(), np.random.default_rng(3)
    columns, rows = CORNERS[0] + 1, CORNERS[1] + 1
    markers = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50)
    pattern = cv2.aruco.CharucoBoard((columns, rows), 1.0, 0.7, markers)
    pattern.setLegacyPattern(True)
    print_ = pattern.generateImage((80 * columns, 80 * rows), marginSize=0).astype(np.float32)
    views = [(0.4, 0, 0), (-0.4, 0.1, 0.2), (0, 0.5, 0), (0.1, -0.5, 0.1), (0.3, 0.3, 0.4)]
    views += [(-0.3, 0.3, 1.5), (0.35, -0.3, 0)]
    for i, turn in enumerate(views):
        rotation, _ = cv2.Rodrigues(np.array(turn, dtype=np.float64))
        shift = np.array([1.5 * np.cos(2.0 * i), 1.2 * np.sin(2.0 * i), 8.0])
        camera = Camera(TRUE, rotation, np.array([4.0, 3.0, 0]) - rotation.T @ shift)
        rays = np.concatenate([normal, np.ones((*normal.shape[:2], 1))], axis=2) @ rotation
        places = camera.position - camera.position[2] / rays[..., 2:] * rays
        at = (80 * places[..., :2] - 0.5).astype(np.float32)
        fine = cv2.remap(
            print_, at[..., 0], at[..., 1], cv2.INTER_LINEAR, cv2.BORDER_CONSTANT, None, (210.0,)
        )
        grey = cv2.GaussianBlur(fine.reshape(SIZE[1], 3, SIZE[0], 3).mean(axis=(1, 3)), (0, 0), 0.7)
        grey = 30 + 0.7 * grey + 2 * rng.standard_normal(grey.shape)
        if i == 4:
            grey = cv2.resize(grey, None, fx=0.8, fy=1.0)
            grey = cv2.copyMakeBorder(grey, 0, 0, 64, 64, cv2.BORDER_REPLICATE)
        cv2.imwrite(str(tmp_path / f"b{i}.png"), np.clip(grey, 0, 255).astype(np.uint8))

    found = lens_from_chessboard(
        sorted(tmp_path.glob("*.png")),
        inner_corners=CORNERS,
        square=0.03,
        marker=0.021,
        dictionary="5x5_50",
    )

    u = np.sqrt(np.diag(found.lens.covariance))
    assert found.left_out == ("b4.png",)
    assert len(found.corners) < 6 * CORNERS[0] * CORNERS[1]
    assert np.all(np.abs(found.lens.values - TRUE.values)[:4] < 4 * u[:4])
    assert found.lens.matrix[0, 0] == pytest.approx(600, rel=5e-3)


def test_a_board_that_cannot_exist_is_refused(folder: Path) -> None:
    pictures = sorted(folder.glob("*.png"))
    with pytest.raises(Problem, match="doesn't fit"):
        lens_from_chessboard(pictures, inner_corners=CORNERS, square=0.03, marker=0.04)
    with pytest.raises(Problem, match="needs 60 markers"):
        lens_from_chessboard(pictures, inner_corners=(11, 9), square=0.03, marker=0.02)


def test_of_a_clip_the_frames_that_differ_most_are_used(folder: Path) -> None:
    """A hand holds still for twelve frames, then shows the board in seven other ways."""
    greys = [cv2.imread(str(folder / f"board{i}.png"), cv2.IMREAD_GRAYSCALE) for i in range(8)]
    frames = [(f"frame {k}", greys[max(0, k - 12)]) for k in range(20)]

    found = lens_from_board(frames, Board(CORNERS, 0.03), most=8)

    assert set(found.residuals) >= {f"frame {k}" for k in range(13, 20)}
    assert found.lens.matrix[0, 0] == pytest.approx(600, rel=2e-3)


def test_the_bow_of_a_line_is_the_sagitta_that_distortion_gives_it() -> None:
    """Source: Brown's model: a line at height y bows by f y |k1| x^2 to first order, x its half
    length in units of the focal length.
    """
    slight = LENS.with_values(np.array([1500.0, 1500, 639.5, 511.5, -0.01, 0, 0, 0, 0]))
    pinhole = slight.with_values(np.array([*slight.values[:4], 0, 0, 0, 0, 0]))
    line = np.column_stack([np.linspace(-0.35, 0.35, 9), np.full(9, 0.2)])
    pixels = slight.distort_points(line)[0]

    bent, u = sagitta(pinhole, pixels, 1.0)
    straight, _ = sagitta(slight, pixels, 1.0)

    assert abs(bent) == pytest.approx(1500 * 0.2 * 0.01 * 0.35**2, rel=0.02)
    assert straight == pytest.approx(0, abs=1e-9)
    assert 0.3 < u < 2
    assert sagitta(pinhole, np.repeat(pixels[:2], 2, axis=0), 1.0)[1] == np.inf


def test_no_value_of_a_given_lens_is_exact() -> None:
    """Each has its stated uncertainty; one that is not stated fits an ordinary calibration."""
    stated = LensUncertainty(focal=2e-3, centre=3.0, distortion=(0.02, 0.03, 1e-3, 2e-3, 0.04))

    lens = given_lens(LENS.matrix.tolist(), LENS.distortion.tolist(), LENS.size, u=stated)
    usual = given_lens(LENS.matrix.tolist(), LENS.distortion.tolist(), LENS.size)

    u = np.sqrt(np.diag(lens.covariance))
    assert u[0] == pytest.approx(2e-3 * LENS.matrix[0, 0], rel=0.01)
    assert u[2:] == pytest.approx([3.0, 3.0, 0.02, 0.03, 1e-3, 2e-3, 0.04])
    assert (np.diag(usual.covariance) > 0).all()
