"""A rolling, steered wheel with three marks against its own truth."""

from dataclasses import replace

import numpy as np
import pytest

from tests.support import motion_case as case
from tracker.core.rigid_body import rotation
from tracker.core.types import MarkId
from tracker.motion import CameraEvidence, Solution, solve
from tracker.motion.wheel import WheelGeometry, WheelMotion, wheel_motion, wheel_places
from tracker.pipeline.wheels import wheel_result

TIME = np.arange(-0.05, 0.25, 4e-3)
HUB = (1.2, -0.82, -0.30)
MARKS = {"a": (0.17, -0.03, 0.0), "b": (-0.085, -0.03, 0.15), "c": (-0.085, -0.03, -0.15)}
OBLIQUE = case.camera_at((6.0, -8.0, -2.0), (0.2, -0.5, -0.4), focal=1700.0)


def truth() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """States of a car at 12 m/s, turn of its wheel, and a steering angle that goes to 12 deg."""
    car = np.zeros((len(TIME), 15))
    car[:, 0], car[:, 2] = -1.5 + 12 * TIME, -0.56
    car[:, 5] = 0.06 * np.maximum(TIME, 0.0)
    steer = np.radians(12) * np.sin(np.clip(TIME / 0.2, 0, 1) * np.pi / 2) ** 2
    return car, -(12 / 0.30) * TIME + 0.3, steer


def wheel_evidence(name: str, camera: object, seed: int) -> CameraEvidence:
    """Evidence of a camera of car and wheel."""
    car, turn, steer = truth()
    own = case.LEFT
    seen = case.evidence(camera, TIME, car, own, 0.03, seed)  # type: ignore[arg-type]
    arm = np.array(HUB) - np.array(case.CG)
    places = wheel_places(car, arm, np.array(list(MARKS.values())), turn, steer)
    pixels = seen.camera.project(places.reshape(-1, 3)).reshape(len(TIME), 3, 2)
    pixels = pixels + np.random.default_rng(seed + 50).normal(0, 0.03, pixels.shape)
    spread = np.tile(np.eye(2) * 0.03**2, (len(TIME), 3, 1, 1))
    return replace(
        seen,
        marks=(*seen.marks, *(MarkId("wheel", m) for m in MARKS)),
        position=np.concatenate([seen.position, pixels], axis=1),
        covariance=np.concatenate([seen.covariance, spread], axis=1),
        measured_mask=np.ones((len(TIME), len(own) + 3), dtype=bool),
    )


@pytest.fixture(scope="module")
def found() -> WheelMotion:
    cameras = {
        "side": wheel_evidence("side", case.SIDE, 1),
        "oblique": wheel_evidence("oblique", OBLIQUE, 2),
    }
    solution: Solution = solve(cameras, {"car": case.car()})
    wheel = WheelGeometry("car", HUB, MARKS, 5e-4)
    motion = wheel_motion(solution, cameras, "wheel", wheel, solution.draws(100, 1))
    assert motion is not None
    return motion


def test_the_turn_is_followed_through_two_revolutions(found: WheelMotion) -> None:
    _, turn, _ = truth()
    true = np.interp(found.time, TIME, turn)
    off = found.turn - true
    off = off - 2 * np.pi * np.round(np.median(off) / (2 * np.pi))

    assert np.ptp(found.turn) == pytest.approx(12 / 0.30 * np.ptp(TIME), rel=0.01)
    assert np.abs(off).max() < np.radians(0.5)
    assert np.mean(np.abs(off) < 2 * found.turn_u) > 0.9
    assert found.turn_rate[5:-5] == pytest.approx(-12 / 0.30, rel=0.02)


def test_the_steering_angle_is_found_within_its_uncertainty(found: WheelMotion) -> None:
    _, _, steer = truth()
    off = found.steer - np.interp(found.time, TIME, steer)

    assert np.abs(off).max() < np.radians(1.0)
    assert np.mean(np.abs(off) < 2 * found.steer_u) > 0.9
    assert np.median(found.steer_u) < np.radians(0.5)


def test_the_results_name_the_greatest_angles(found: WheelMotion) -> None:
    result = wheel_result(found)

    assert result.max_steer is not None
    assert result.turn_rate is not None
    assert result.max_steer.value == pytest.approx(np.radians(12), abs=np.radians(1.0))
    assert result.turn_rate.value == pytest.approx(-12 / 0.30, rel=0.05)


def test_places_of_a_wheel_that_is_neither_turned_nor_steered() -> None:
    """Those of points of the body (by hand from the body's rotation)."""
    car, _, _ = truth()
    arm = np.array(HUB) - np.array(case.CG)
    marks = np.array(list(MARKS.values()))
    none = np.zeros(len(TIME))

    places = wheel_places(car, arm, marks, none, none)

    expected = car[:, None, :3] + np.einsum("nij,mj->nmi", rotation(car[:, 3:6]), arm + marks)
    assert places == pytest.approx(expected)
