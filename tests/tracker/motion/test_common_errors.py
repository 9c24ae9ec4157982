"""Errors that a survey makes throughout: what they do to a motion, against a survey that errs.

Rotations: scipy.spatial.transform.Rotation (intrinsic z-y-x).
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tests.support import motion_case as case
from tracker.core.rigid_body import point_motion
from tracker.core.types import STATE
from tracker.motion import SurveyErrors, VehicleGeometry, solve
from tracker.motion.model.common_errors import (
    COMMON_SOURCES,
    transform_motions,
    true_lever_arms,
)

TIME = np.arange(-0.05, 0.15, 4e-3)
CRASH = case.crash(TIME)


def angular(times: np.ndarray) -> np.ndarray:
    """Second derivatives of roll, pitch, yaw of `case.crash` (n, 3), by differences."""
    step = 1e-5
    ahead, behind = case.crash(times + step), case.crash(times - step)
    return np.asarray((ahead[:, 9:12] - behind[:, 9:12]) / (2 * step))


def test_cg_elsewhere_is_the_motion_of_that_point() -> None:
    """Position, velocity and acceleration of a point that turns with the vehicle."""
    arm, times = np.array([0.3, -0.2, 0.1]), np.array([0.02, 0.07, 0.12])

    def place(t: np.ndarray) -> np.ndarray:
        s = case.crash(t)
        return np.asarray(s[:, :3] + Rotation.from_euler("ZYX", s[:, [5, 4, 3]]).apply(arm))

    errors = np.r_[np.zeros(5), arm]
    state = transform_motions(case.crash(times), angular(times), errors)
    h = 1e-4
    assert state[:, :3] == pytest.approx(place(times), abs=1e-9)
    assert state[:, 6:9] == pytest.approx((place(times + h) - place(times - h)) / (2 * h), abs=1e-4)
    second = (place(times + h) - 2 * place(times) + place(times - h)) / h**2
    assert state[:, 12:] == pytest.approx(second, abs=1e-2)


def test_a_surveyed_point_stays_where_axes_and_cg_are_stated_wrongly() -> None:
    """Mark and point are surveyed in the same axes; the point's place is that by the survey."""
    times, arm = np.array([0.02, 0.07, 0.12]), np.array([2.1, -0.7, 0.3])
    errors = np.array([0, 0, 1e-3, -2e-3, 1.5e-3, 0.01, -0.02, 0.015])
    state = transform_motions(case.crash(times), angular(times), errors)

    place, velocity = point_motion(state, true_lever_arms(arm, errors))

    wanted, wanted_velocity = point_motion(case.crash(times), arm)
    assert place == pytest.approx(wanted, abs=2e-5)  # to first order
    assert velocity == pytest.approx(wanted_velocity, abs=1e-3)
    assert np.abs(point_motion(state, arm)[0] - wanted).max() > 0.01


def test_axes_askew_turn_the_attitude() -> None:
    times = np.array([0.02, 0.07, 0.12])
    small = np.array([1e-4, -2e-4, 1.5e-4])

    def attitude(t: np.ndarray) -> np.ndarray:
        whole = Rotation.from_euler("ZYX", case.crash(t)[:, [5, 4, 3]]) * Rotation.from_rotvec(
            small
        )
        return np.asarray(whole.as_euler("ZYX")[:, ::-1])

    state = transform_motions(case.crash(times), angular(times), np.r_[0, 0, small, 0, 0, 0])
    h = 1e-4
    assert state[:, 3:6] == pytest.approx(attitude(times), abs=1e-7)
    rates = (attitude(times + h) - attitude(times - h)) / (2 * h)
    assert state[:, 9:12] == pytest.approx(rates, abs=1e-6)


def test_datum_and_scale_move_the_ground() -> None:
    state = transform_motions(CRASH, angular(TIME), np.r_[1e-3, 2e-3, np.zeros(6)])
    turn = Rotation.from_euler("z", 2e-3)
    for part in (slice(0, 3), slice(6, 9), slice(12, 15)):
        assert state[:, part] == pytest.approx(1.001 * turn.apply(CRASH[:, part]), abs=1e-9)
    assert state[:, 5] == pytest.approx(CRASH[:, 5] + 2e-3)


def test_errors_of_a_survey_are_in_every_u() -> None:
    """A scale known to 0.1 % makes 14 m/s uncertain by 14 mm/s, in the motion and in draws."""
    seen = case.both(TIME, CRASH, 0.03)
    errs = SurveyErrors(scale_u=1e-3, datum_u=2e-3, axes_u=1e-3, cg_u=5e-3)
    wide = VehicleGeometry(case.CG, case.MARKERS, 1e-3, survey_errors=errs)
    exact, own = solve(seen, {"car": case.car()}), solve(seen, {"car": wide})
    before, after = (s.motion("car", TIME[:5]) for s in (exact, own))
    assert after.state == pytest.approx(before.state)
    vx, yaw, y = (STATE.index(n) for n in ("vx_mps", "yaw_rad", "y_m"))
    assert after.u[:, vx] == pytest.approx(np.hypot(before.u[:, vx], 14e-3), rel=1e-2)
    turn = np.hypot(2e-3, 1e-3)
    assert after.u[:, yaw] == pytest.approx(np.hypot(before.u[:, yaw], turn), rel=1e-2)
    assert (after.u[:, y] > 5e-3).all()
    draws = own.draws(2000, 4).states("car", TIME[:1])[:, 0]
    assert draws.std(axis=0)[vx] == pytest.approx(after.u[0, vx], rel=0.05)
    shares = [
        own.draws(2000, 5, source=s).states("car", TIME[:1])[:, 0, vx] for s in COMMON_SOURCES
    ]
    assert [s.std() for s in shares] == pytest.approx([14e-3, 0, 0, 0], rel=0.05, abs=2e-3)


def test_scale_of_a_tape_is_that_of_all_vehicles() -> None:
    """Two vehicles' errors of scale are one error: their speeds' draws go together."""
    seen = case.both(TIME, CRASH, 0.03)
    errs = SurveyErrors(scale_u=0.01)
    car = replace(case.car(), survey_errors=errs)
    other = {
        n: replace(e, marks=tuple(m.replace("car.", "van.") for m in e.marks))
        for n, e in seen.items()
    }
    both = {
        n: replace(
            e,
            marks=e.marks + other[n].marks,
            position=np.concatenate([e.position, other[n].position], axis=1),
            covariance=np.concatenate([e.covariance, other[n].covariance], axis=1),
            measured_mask=np.concatenate([e.measured_mask, other[n].measured_mask], axis=1),
        )
        for n, e in seen.items()
    }
    draws = solve(both, {"car": car, "van": car}).draws(500, 6)
    speeds = [draws.states(v, TIME[:1])[:, 0, 6] for v in ("car", "van")]
    assert np.corrcoef(*speeds)[0, 1] > 0.98
