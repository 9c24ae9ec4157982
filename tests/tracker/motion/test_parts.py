"""Splines and attitude."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tracker.core.rigid_body import point_motion, rotate_vectors, rotation
from tracker.motion.model.spline import Basis, place_breakpoints

BASIS = Basis(place_breakpoints(-0.1, 0.15, 0.0, 1e-3), (0.0,))


def angles(n: int = 50) -> np.ndarray:
    return np.random.default_rng(1).uniform(-1.5, 1.5, (n, 3))


def test_attitude_is_yaw_then_pitch_then_roll_about_moving_axes() -> None:
    """Source: scipy.spatial.transform.Rotation, intrinsic 'ZYX'."""
    expected = Rotation.from_euler("ZYX", angles()[:, ::-1]).as_matrix()

    assert rotation(angles()) == pytest.approx(expected, abs=1e-14)


@pytest.mark.parametrize(
    ("turn", "axis", "goes"),
    [
        ((0, 0, 0.1), 0, (1, 1, 0)),  # yaw +: the nose goes right (y)
        ((0, 0.1, 0), 0, (1, 0, -1)),  # pitch +: the nose goes up (-z)
        ((0.1, 0, 0), 1, (0, 1, 1)),  # roll +: the right side goes down (z)
    ],
)
def test_signs_are_those_of_the_trade(
    turn: tuple[float, ...], axis: int, goes: tuple[int, ...]
) -> None:
    """Source: SAE J670, axes x forward, y right, z down."""
    assert np.sign(np.round(rotation(np.array(turn))[:, axis], 9)) == pytest.approx(goes)


def test_turned_arms_change_with_the_angles_as_they_say() -> None:
    lever_arms = np.random.default_rng(2).normal(size=(50, 3))
    _, by_angles = rotate_vectors(angles(), lever_arms)
    for k, step in enumerate(np.eye(3) * 1e-6):
        rise = (
            rotate_vectors(angles() + step, lever_arms)[0]
            - rotate_vectors(angles() - step, lever_arms)[0]
        )
        assert by_angles[..., k] == pytest.approx(rise / 2e-6, abs=1e-8)


def test_velocity_of_a_point_is_the_rate_of_its_place() -> None:
    t = np.linspace(0, 1, 2001)
    state = np.zeros((len(t), 15))
    for k, (size, w) in enumerate(zip([1, 2, 3, 0.4, 0.5, 0.6], [3, 4, 5, 6, 7, 8], strict=True)):
        state[:, k], state[:, 6 + k] = size * np.sin(w * t), size * w * np.cos(w * t)
    place, velocity = point_motion(state, np.array([2.0, -0.8, 0.5]))
    assert velocity[1:-1] == pytest.approx((place[2:] - place[:-2]) / (t[2] - t[0]), abs=1e-4)


def test_acceleration_jumps_at_the_break_and_nowhere_else() -> None:
    jerk_coefficients = np.random.default_rng(0).normal(size=BASIS.count)
    jerk_coefficients[BASIS.jerk] *= 1e3
    inner = BASIS.breakpoints[1:-1]
    before, after = (BASIS.design(inner + side * 1e-12, 2) @ jerk_coefficients for side in (-1, 1))
    jumps = after - before
    assert jumps[inner == 0.0] == pytest.approx(jerk_coefficients[3], abs=1e-5)
    assert jumps[inner != 0.0] == pytest.approx(0.0, abs=1e-5)


def test_handles_are_place_rate_acceleration_jump_and_jerks() -> None:
    t = np.linspace(-0.1, 0.15, 400)
    jerk_coefficients = np.zeros(BASIS.count)
    jerk_coefficients[:4] = [1.0, 14.0, 3.0, -200.0]
    expected = 1 + 14 * t + 1.5 * t**2 - 100 * np.maximum(t, 0) ** 2
    assert BASIS.design(t) @ jerk_coefficients == pytest.approx(expected, abs=1e-11)
    jerk_coefficients[BASIS.jerk] = 600.0
    fall = BASIS.design(t, 2) @ jerk_coefficients
    assert fall == pytest.approx(3 + 600 * t - 200 * (t >= 0), abs=1e-7)


def test_beyond_its_ends_a_motion_goes_on_straight() -> None:
    jerk_coefficients = np.random.default_rng(0).normal(size=BASIS.count)
    end, late = np.array([0.15]), np.array([0.25])
    place, rate = (BASIS.design(end, k) @ jerk_coefficients for k in (0, 1))
    assert BASIS.design(late) @ jerk_coefficients == pytest.approx(place + 0.1 * rate)
    assert BASIS.design(late, 1) @ jerk_coefficients == pytest.approx(rate)
    assert BASIS.design(late, 2) @ jerk_coefficients == pytest.approx(0.0)


@pytest.mark.parametrize("contact", [0.0, None, -1.0, 0.149])
@pytest.mark.parametrize("frame", [1 / 30000, 1e-3, 1 / 120])
def test_knots_rise_from_end_to_end(contact: float | None, frame: float) -> None:
    breakpoints = place_breakpoints(-0.1, 0.15, contact, frame)
    assert breakpoints[[0, -1]] == pytest.approx([-0.1, 0.15])
    assert np.diff(breakpoints).min() > 0
    assert len(breakpoints) < 200
