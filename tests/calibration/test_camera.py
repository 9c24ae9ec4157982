"""The camera's projection and its derivatives."""

import cv2
import numpy as np
import pytest

from calibration.camera import PARAMETERS, Camera, Lens


@pytest.fixture
def camera() -> Camera:
    lens = Lens(
        np.array([[1500.0, 0, 640], [0, 1490, 512], [0, 0, 1]]),
        np.array([-0.12, 0.05, 1e-3, -5e-4, 0.01]),
        (1280, 1024),
    )
    rotation, _ = cv2.Rodrigues(np.array([0.3, -0.2, 0.1]))
    return Camera(lens, rotation, np.array([1.0, -2.0, -12.0]))


def points(n: int = 40) -> np.ndarray:
    return np.random.default_rng(1).uniform(-3, 3, (n, 3))


def test_projection_is_opencv_s(camera: Camera) -> None:
    """Source: cv2.projectPoints (OpenCV calib3d)."""
    turn, _ = cv2.Rodrigues(camera.rotation)
    expected, _ = cv2.projectPoints(
        points(),
        turn,
        -camera.rotation @ camera.position,
        camera.lens.matrix,
        camera.lens.distortion,
    )

    assert camera.project(points()) == pytest.approx(expected.reshape(-1, 2), abs=1e-9)


def test_distortion_of_the_worked_example() -> None:
    """Source: worked numbers for Brown's model, confirmed with cv2.projectPoints 5.0.0."""
    lens = Lens(np.eye(3), np.array([-0.1, 0.01, 0.001, -0.0005, 0.0]), (2, 2))
    camera = Camera(lens, np.eye(3), np.zeros(3))

    seen = camera.project(np.array([[0.3, -0.2, 1.0], [0.5, 0.4, 1.0]]))

    assert seen == pytest.approx(
        np.array([[0.2958757, -0.1971638], [0.4802855, 0.3848024]]), abs=1e-7
    )


def test_derivatives_are_those_of_the_projection(camera: Camera) -> None:
    x = points(5)
    _, by_point, by_parameters = camera.project_with_derivatives(x)
    for k in range(3):
        step = np.zeros(3)
        step[k] = 1e-6
        numeric = (camera.project(x + step) - camera.project(x - step)) / 2e-6
        assert by_point[:, :, k] == pytest.approx(numeric, abs=1e-4)
    for k in range(PARAMETERS):
        step = np.zeros(PARAMETERS)
        step[k] = 1e-6
        numeric = (
            camera.with_change(step).project(x) - camera.with_change(-step).project(x)
        ) / 2e-6
        assert by_parameters[:, :, k] == pytest.approx(numeric, rel=1e-5, abs=1e-4)


def test_a_ray_passes_through_the_point_it_was_seen_at(camera: Camera) -> None:
    x = points()
    rays = camera.rays(camera.project(x))

    off = np.cross(x - camera.position, rays)

    assert np.abs(off).max() < 1e-8


def test_a_point_behind_the_camera_is_not_seen(camera: Camera) -> None:
    behind = camera.position - 2 * camera.rotation[2]
    assert np.isnan(camera.project(behind[None])).all()
