"""The camera's pose from surveyed points."""

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.errors import Problem
from calibration.resection.pose import sightings
from calibration.resection.resect import Resection, resect
from tests.support.calibration_scenes import (
    FLAT,
    LENS,
    SIZE,
    TWO_PLANES,
    looking,
    names,
    overhead,
    same_noise,
    side,
)


def measured(
    camera: Camera,
    points: Array,
    lens: Lens | None = LENS,
    *,
    rng: np.random.Generator | None = None,
    spoil: Callable[[Array, Array], None] | None = None,
    ground_u: float = 0.002,
    rough: Array | None = None,
) -> Resection:
    """Resection from a survey with ground_u and picks with 0.03 px noise, or exact ones."""
    surveyed, pixels = points.copy(), camera.project(points)
    if rng is not None:
        surveyed += ground_u * rng.standard_normal(points.shape)
        pixels += 0.03 * rng.standard_normal(pixels.shape)
    if spoil is not None:
        spoil(surveyed, pixels)
    return resect(
        sightings(names(points), surveyed, pixels, same_noise(points), ground_u=ground_u),
        size=SIZE,
        lens=lens,
        rough_position=rough,
    )


@pytest.mark.parametrize(
    ("camera", "points"), [(overhead(), FLAT), (side(), TWO_PLANES), (side(), FLAT)]
)
def test_exact_picks_give_the_camera_back(camera: Camera, points: Array) -> None:
    found = measured(camera, points)

    assert found.camera.position == pytest.approx(camera.position, abs=1e-6)
    assert found.camera.rotation == pytest.approx(camera.rotation, abs=1e-7)
    assert found.rms_px < 1e-4
    assert not found.findings


def test_exact_picks_of_a_survey_in_two_planes_give_the_lens_as_well() -> None:
    lens = LENS.with_values(np.array([1510.0, 1510, 655, 500, -0.12, 0, 0, 0, 0]))
    camera = looking([-1, 14, -1.6], [-1, 0, -0.5], lens)

    found = measured(camera, TWO_PLANES, None, ground_u=1e-6)

    # the weak priors pull by a small part of the uncertainty
    u = np.sqrt(np.diag(found.camera.covariance))
    assert np.all(np.abs(found.camera.lens.values - lens.values)[:6] < 0.1 * u[6:12])
    assert np.all(np.abs(found.camera.position - camera.position) < 0.1 * u[3:6])
    assert found.solved == ("focal length", "principal point", "k1")


def test_the_pose_is_that_of_an_independent_solver() -> None:
    """Source: cv2.solvePnP, iterative (least squares on pixels), OpenCV calib3d.

    With an exact survey and equal picks both minimise the same sum.
    """
    pixels = side().project(TWO_PLANES) + np.random.default_rng(3).normal(0, 0.3, (12, 2))
    _, turn, shift = cv2.solvePnP(TWO_PLANES, pixels, LENS.matrix, LENS.distortion)
    rotation, _ = cv2.Rodrigues(turn)

    found = resect(
        sightings(names(TWO_PLANES), TWO_PLANES, pixels, same_noise(TWO_PLANES, 0.3), ground_u=0.0),
        size=SIZE,
        lens=LENS,
    )

    assert found.camera.rotation == pytest.approx(rotation, abs=1e-5)
    assert found.camera.position == pytest.approx(-rotation.T @ shift.ravel(), abs=1e-4)


def test_the_camera_of_the_worked_direct_linear_transformation() -> None:
    """Source: Abdel-Aziz and Karara 1971 (the eleven parameters); camera at (2, -12, 3) looking at
    (2, 0, 1), f 1200 px, principal point (640, 360), z up; numbers worked by hand.
    """
    ground = np.array([(0, 0, 0), (2, 0, 1), (4, 0, 2), (1, 3, 1.5), (3, -2, 0.5)], dtype=float)
    pixels = np.array(
        [
            (445.35160, 456),
            (640, 360),
            (839.98123, 261.36986),
            (560.22607, 281.31148),
            (756.78904, 456),
        ]
    )
    lens = Lens(np.array([[1200.0, 0, 640], [0, 1200, 360], [0, 0, 1]]), np.zeros(5), (1280, 720))

    camera = resect(
        sightings(names(ground), ground, pixels, same_noise(ground)), size=(1280, 720), lens=lens
    ).camera

    matrix = lens.matrix @ np.column_stack([camera.rotation, -camera.rotation @ camera.position])
    assert camera.position == pytest.approx([2, -12, 3], abs=1e-5)
    assert (matrix / matrix[2, 3]).ravel()[:11] == pytest.approx(
        [
            97.32420048,
            51.2,
            -8.533333333,
            445.351599,
            0,
            12.8,
            -100.8,
            456,
            0,
            0.08,
            -0.01333333333,
        ],
        abs=1e-3,
    )


def test_pose_and_lens_agree_with_a_direct_linear_transformation() -> None:
    """Source: Abdel-Aziz and Karara 1971, solved linearly here, from a survey with relief."""
    rng = np.random.default_rng(4)
    points = rng.uniform([-5, -4, -3], [5, 4, 0], (40, 3))
    camera = looking(
        [-1, 16, -4],
        [0, 0, -1],
        LENS.with_values(np.array([1510.0, 1510, 639.5, 511.5, 0, 0, 0, 0, 0])),
    )
    pixels = camera.project(points) + 0.03 * rng.standard_normal((40, 2))
    x = np.column_stack([points, np.ones(40)])
    zero = np.zeros((40, 4))
    system = np.vstack(
        [
            np.hstack([x, zero, -pixels[:, :1] * points]),
            np.hstack([zero, x, -pixels[:, 1:] * points]),
        ]
    )
    dlt, *_ = np.linalg.lstsq(system, pixels.T.ravel(), rcond=None)
    position = -np.linalg.solve(
        np.array([dlt[0:3], dlt[4:7], dlt[8:11]]), np.array([dlt[3], dlt[7], 1])
    )

    found = resect(
        sightings(names(points), points, pixels, same_noise(points), ground_u=1e-6), size=SIZE
    ).camera

    assert found.position == pytest.approx(position, abs=0.02)


@pytest.mark.parametrize(
    ("camera", "points"), [(overhead(), FLAT), (side(), TWO_PLANES)], ids=["overhead", "side"]
)
def test_two_uncertainties_hold_the_camera_s_position_in_95_of_100_cases(
    camera: Camera, points: Array
) -> None:
    rng = np.random.default_rng(11)
    within = []
    for _ in range(60):
        found = measured(camera, points, rng=rng).camera
        u = np.sqrt(np.diag(found.covariance))
        within.append(np.abs(found.position - camera.position) < 2 * u[3:6])

    assert 0.90 <= np.mean(within) <= 0.99


def test_two_uncertainties_hold_position_and_focal_length_of_an_open_lens() -> None:
    rng = np.random.default_rng(12)
    within = []
    for _ in range(30):
        found = measured(side(), TWO_PLANES, None, rng=rng).camera
        u = np.sqrt(np.diag(found.covariance))
        error = np.append(found.position - side().position, found.lens.matrix[0, 0] - 1510)
        within.append(np.abs(error) < 2 * u[[3, 4, 5, 6]])

    assert 0.88 <= np.mean(within) <= 1.0


def test_a_flat_survey_seen_face_on_needs_the_rough_position_for_the_focal_length() -> None:
    rng = np.random.default_rng(5)

    found = measured(overhead(), FLAT, None, rng=rng, rough=np.array([-1.3, 0.2, -12.2]))

    assert [f.code for f in found.findings] == ["focal_from_position"]
    assert 0.02 < found.focal_u < 0.1
    assert abs(found.camera.lens.matrix[0, 0] / 1510 - 1) < 2 * found.focal_u
    # places in the surveyed plane hold whatever the focal length is
    seen = LENS.size[0] * np.array([[0.3, 0.3], [0.7, 0.6]])
    wide = [_on_ground(camera, seen) for camera in (found.camera, overhead())]
    assert np.linalg.norm(np.diff(wide[0], axis=0)) == pytest.approx(
        np.linalg.norm(np.diff(wide[1], axis=0)), rel=2e-3
    )


def _on_ground(camera: Camera, pixels: Array) -> Array:
    rays = camera.rays(pixels)
    return np.asarray(camera.position - camera.position[2] / rays[:, 2:] * rays)


def test_a_flat_survey_seen_face_on_without_lens_or_position_says_what_to_survey() -> None:
    found = measured(overhead(), FLAT, None, rng=np.random.default_rng(6))

    finding = next(f for f in found.findings if f.code == "focal_undetermined")
    assert "off that plane" in finding.text
    assert found.focal_u > 0.2


@pytest.mark.parametrize("point", [0, 4, 11])
@pytest.mark.parametrize("where", ["coordinate", "pick"])
def test_one_wrong_point_is_found_and_named(point: int, where: str) -> None:
    def spoil(surveyed: Array, pixels: Array) -> None:
        if where == "coordinate":
            surveyed[point, 0] += 0.1
        else:
            pixels[point] += [8, -6]

    found = measured(side(), TWO_PLANES, rng=np.random.default_rng(point), spoil=spoil)

    assert found.left_out == (f"g{point + 1}",)
    assert found.findings[0].code == "survey_blunder"
    assert f"g{point + 1}" in found.findings[0].text
    assert np.linalg.norm(found.camera.position - side().position) < 0.03


def test_two_exchanged_names_are_recognised() -> None:
    def spoil(surveyed: Array, pixels: Array) -> None:
        pixels[[2, 9]] = pixels[[9, 2]]

    found = measured(overhead(), FLAT, rng=np.random.default_rng(8), spoil=spoil)

    assert set(found.left_out) == {"g3", "g10"}
    assert found.findings[0].code == "survey_swapped"


def test_a_contradiction_that_four_points_can_t_resolve_widens_the_uncertainty() -> None:
    def spoil(surveyed: Array, pixels: Array) -> None:
        pixels[1] += 5

    corners = FLAT[[0, 2, 9, 11]]
    clean = measured(overhead(), corners)
    found = measured(overhead(), corners, spoil=spoil)

    assert found.left_out == ()
    assert found.findings
    assert np.all(np.diag(found.camera.covariance)[:6] > 9 * np.diag(clean.camera.covariance)[:6])


def test_moving_the_ground_axes_moves_the_camera_with_them() -> None:
    turn, _ = cv2.Rodrigues(np.array([0.02, -0.03, 1.2]))
    shift = np.array([100.0, -40, 0.5])
    rng = np.random.default_rng(9)
    pixels = side().project(TWO_PLANES) + 0.03 * rng.standard_normal((12, 2))

    def solved(points: Array) -> Camera:
        return resect(
            sightings(names(points), points, pixels, same_noise(points)), size=SIZE, lens=LENS
        ).camera

    here, there = solved(TWO_PLANES), solved(TWO_PLANES @ turn.T + shift)

    assert there.position == pytest.approx(turn @ here.position + shift, abs=1e-6)
    assert there.rotation @ turn == pytest.approx(here.rotation, abs=1e-7)
    assert there.covariance[3:6, 3:6] == pytest.approx(
        turn @ here.covariance[3:6, 3:6] @ turn.T, rel=1e-3, abs=1e-10
    )


def test_more_survey_noise_leaves_more_uncertainty_in_proportion() -> None:
    fine = measured(side(), TWO_PLANES, ground_u=0.004)
    coarse = measured(side(), TWO_PLANES, ground_u=0.04)

    ratio = np.sqrt(np.diag(coarse.camera.covariance)[:6] / np.diag(fine.camera.covariance)[:6])
    assert ratio == pytest.approx(np.full(6, 10), rel=0.05)


@pytest.mark.parametrize(
    ("points", "what"),
    [
        (FLAT[:2], "2 surveyed points"),
        (np.array([(x, 0.5 * x, 0) for x in range(5)], dtype=float), "one line"),
        (FLAT[[0, 2, 9]], "three surveyed points"),
    ],
)
def test_surveys_that_hold_no_pose_are_refused_in_one_sentence(points: Array, what: str) -> None:
    with pytest.raises(Problem, match=what):
        measured(overhead(), points)


def test_three_points_and_a_rough_position_give_a_pose() -> None:
    found = measured(overhead(), FLAT[[0, 2, 9]], rough=np.array([-1.0, 0.5, -11]))

    assert found.camera.position == pytest.approx(overhead().position, abs=1e-4)


def test_an_axis_with_the_wrong_sign_is_noticed() -> None:
    def mirror(surveyed: Array, pixels: Array) -> None:
        surveyed[:, 1] *= -1

    found = measured(overhead(), FLAT, spoil=mirror)

    assert any(f.code == "camera_below_ground" for f in found.findings)


def test_a_camera_far_from_its_stated_position_is_noticed() -> None:
    found = measured(side(), TWO_PLANES, rough=np.array([-1.0, 8, -1.6]))

    assert [f.code for f in found.findings] == ["position_differs"]


def test_a_lens_s_own_uncertainty_ends_up_in_the_distance() -> None:
    """Similar triangles: distance is proportional to focal length for a flat survey face on."""
    covariance = np.zeros((9, 9))
    covariance[:2, :2] = (1510 * 1e-3) ** 2
    exact = measured(overhead(), FLAT)
    known = measured(overhead(), FLAT, replace(LENS, covariance=covariance))

    u_exact, u_known = (np.sqrt(r.camera.covariance[5, 5]) for r in (exact, known))
    assert np.sqrt(u_known**2 - u_exact**2) == pytest.approx(12 * 1e-3, rel=0.05)
