"""The picture's motion from fixed targets."""

import numpy as np
import pytest

from calibration.arrays import Array
from calibration.image_motion.stabilise import Stabilisation, stabilise_picture

SIZE = (1280, 1024)
FRAMES = 220
PLACES = np.array(
    [(140, 180), (1100, 210), (620, 300), (230, 850), (1010, 900), (700, 620)], dtype=np.float64
)
NOISE = 0.02  # px


def moved(places: Array, motion: Array) -> Array:
    """Places (t, 2) as seen in each frame (n, t, 2) with the motion about the picture's middle."""
    middle = np.array([639.5, 511.5])
    z = (places - middle) @ [1, 1j]
    seen = np.exp(motion[:, 3] + 1j * motion[:, 2])[:, None] * z
    seen = seen + (motion[:, 0] + 1j * motion[:, 1])[:, None]
    return np.stack([seen.real, seen.imag], axis=-1) + middle


def film(
    amplitude: tuple[float, ...],
    rng: np.random.Generator,
    places: Array = PLACES,
    hidden: float = 0.1,
) -> tuple[Array, Array]:
    """The motion (n, 4), of mean zero, and the targets as measured (n, t, 2)."""
    motion = rng.standard_normal((FRAMES, 4)) * amplitude
    motion -= motion.mean(axis=0)
    position = moved(places, motion)
    position += NOISE * rng.standard_normal(position.shape)
    position[rng.random(position.shape[:2]) < hidden] = np.nan
    return motion, position


def solved(position: Array, noise: float = NOISE) -> Stabilisation:
    n, t = position.shape[:2]
    covariance = np.tile(noise**2 * np.eye(2), (n, t, 1, 1))
    return stabilise_picture([f"g{i + 1}" for i in range(t)], position, covariance, size=SIZE)


def leftover(found: Stabilisation, motion: Array, places: Array) -> Array:
    """What is left of the motion at places (t, 2) once stabilised: (n, t, 2) px, of mean zero."""
    seen = moved(places, motion)
    steady = np.stack(
        [found.stabilised_pixels(np.arange(len(motion)), seen[:, i]) for i in range(len(places))],
        axis=1,
    )
    return np.asarray(steady - steady.mean(axis=0))


def test_weave_of_one_pixel_leaves_less_than_three_hundredths() -> None:
    rng = np.random.default_rng(1)
    motion, position = film((1, 1, 0, 0), rng)

    found = solved(position)

    left = leftover(found, motion, rng.uniform([0, 0], SIZE, (20, 2)))
    # k targets leave noise / sqrt(k) of a shift
    assert np.sqrt(np.mean(left**2)) == pytest.approx(NOISE / np.sqrt(5.4), rel=0.15)
    assert found.amplitude[:2] == pytest.approx([1, 1], rel=0.1)
    assert np.all(found.amplitude[2:] == 0)
    assert found.rms_px == pytest.approx(np.sqrt(2), rel=0.1)


def test_turn_and_scale_are_found_when_they_are_there() -> None:
    rng = np.random.default_rng(2)
    motion, position = film((1, 2, 5e-4, 3e-4), rng)

    found = solved(position)

    assert found.amplitude == pytest.approx([1, 2, 5e-4, 3e-4], rel=0.15)
    assert np.sqrt(np.mean(leftover(found, motion, PLACES) ** 2)) < 0.02


def test_a_camera_on_a_tripod_is_not_given_its_targets_noise() -> None:
    _, position = film((0, 0, 0, 0), np.random.default_rng(3))

    found = solved(position)

    assert np.all(found.motion == 0)
    assert found.rms_px == 0


def test_two_uncertainties_hold_the_motion_in_95_of_100_frames() -> None:
    rng = np.random.default_rng(4)
    motion, position = film((1, 0.5, 4e-4, 2e-4), rng, hidden=0.4)

    found = solved(position)

    place = np.array([[300.0, 700]])
    left = leftover(found, motion, place)[:, 0]
    _, _, by_motion = found.picture_pixels_with_derivatives(
        np.arange(FRAMES), np.broadcast_to(place, (FRAMES, 2))
    )
    u = np.sqrt(np.einsum("nij,njk,nik->ni", by_motion, found.covariance, by_motion))
    assert 0.90 <= np.mean(np.abs(left) < 2 * u) <= 0.99


def test_a_frame_without_targets_keeps_the_motion_s_whole_uncertainty() -> None:
    _, position = film((1, 1, 0, 0), np.random.default_rng(5))
    position[100:110] = np.nan

    found = solved(position)

    assert found.motion[105] == pytest.approx(np.zeros(4), abs=0.01)
    assert np.sqrt(np.diag(found.covariance[105])[:2]) == pytest.approx(found.amplitude[:2])
    assert [f.code for f in found.findings] == ["steady_unseen"]


@pytest.mark.parametrize("weave", [0.0, 1.0])
@pytest.mark.parametrize("target", [0, 2])
def test_a_target_struck_by_debris_is_named_and_used_only_before(weave: float, target: int) -> None:
    rng = np.random.default_rng(6)
    motion, position = film((weave, weave, 0, 0), rng)
    position[180:, target] += [0.6, -2]

    found = solved(position)

    assert [f.code for f in found.findings] == ["target_moved"]
    assert f"g{target + 1} " in found.findings[0].text
    assert np.sqrt(np.mean(leftover(found, motion, PLACES) ** 2)) < 0.02
    assert found.reference[target] == pytest.approx(PLACES[target], abs=0.02)


def test_of_two_targets_that_part_nobody_can_say_which_moved() -> None:
    _, position = film((0.5, 0.5, 0, 0), np.random.default_rng(7), PLACES[:2])
    position[150:, 0] += [0.0, 3]

    found = solved(position)

    assert "targets_disagree" in [f.code for f in found.findings]


def test_one_target_gives_the_shift_and_no_turn() -> None:
    rng = np.random.default_rng(8)
    motion, position = film((1, 1, 0, 0), rng, PLACES[:1], hidden=0.0)

    found = solved(position)

    assert np.sqrt(np.mean(leftover(found, motion, PLACES[:1]) ** 2)) < 1.2 * NOISE
    assert np.all(found.amplitude[2:] == 0)


def test_without_targets_nothing_is_corrected_and_the_reader_is_reported() -> None:
    found = solved(np.full((10, 2, 2), np.nan))

    assert np.all(found.motion == 0)
    assert [f.code for f in found.findings] == ["steady_unchecked"]
    pixels = np.array([[3.0, 4], [5, 6]])
    assert found.stabilised_pixels(3, pixels) == pytest.approx(pixels)


def test_optimistic_targets_widen_the_correction_s_uncertainty() -> None:
    _, position = film((1, 1, 0, 0), np.random.default_rng(9))

    honest, optimistic = solved(position), solved(position, noise=NOISE / 4)

    assert [f.code for f in optimistic.findings] == ["steady_misfit"]
    assert optimistic.covariance[0] == pytest.approx(honest.covariance[0], rel=0.1)


def test_seen_undoes_steady_and_its_derivatives_are_those_of_differences() -> None:
    _, position = film((3, 2, 2e-3, 1e-3), np.random.default_rng(10))
    found = solved(position)
    rest = np.array([[100.0, 900], [640, 512], [1200, 30]])

    assert found.stabilised_pixels(7, found.picture_pixels(7, rest)) == pytest.approx(
        rest, abs=1e-9
    )
    _, by_rest, by_motion = found.picture_pixels_with_derivatives(7, rest)
    step = 1e-3
    for i in range(2):
        more, less = (found.picture_pixels(7, rest + s * np.eye(2)[i]) for s in (step, -step))
        assert (more - less) / (2 * step) == pytest.approx(by_rest[:, :, i], abs=1e-7)
    for i in range(4):
        size = (1e-3, 1e-3, 1e-6, 1e-6)[i]
        frames = [found.motion + s * size * np.eye(4)[i] for s in (1, -1)]
        more, less = (
            Stabilisation(**{**vars(found), "motion": motion}).picture_pixels(7, rest)
            for motion in frames
        )
        assert (more - less) / (2 * size) == pytest.approx(by_motion[:, :, i], rel=1e-5, abs=1e-4)


@pytest.mark.parametrize(("size", "late"), [(1.5, 0), (4.0, 0), (1.5, 5)])
def test_a_picture_that_wanders_slowly_accuses_no_target(size: float, late: int) -> None:
    """It shifts, turns and grows for most of the film, some targets may come into view late: what
    stands still has not moved, and scatters as it says.
    """
    rng = np.random.default_rng(0)
    t = np.arange(60)[:, None] / 60
    motion = size * np.sin(2 * np.pi * (1.3 * t + rng.random(4))) * [1, 1, 2e-3, 5e-4]
    position = moved(PLACES, motion) + NOISE * rng.standard_normal((60, len(PLACES), 2))
    position[:late, rng.permutation(len(PLACES))[:2]] = np.nan

    found = solved(position)

    assert not found.findings
    assert np.sqrt(np.mean(leftover(found, motion, PLACES) ** 2)) < NOISE
