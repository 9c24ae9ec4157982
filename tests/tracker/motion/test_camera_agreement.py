"""Cameras whose calibrations contradict each other are found, named, and believed less.

A sound calibration's innovation is chi-square (Bar-Shalom, Li & Kirubarajan 2001, "Estimation with
Applications to Tracking and Navigation", 5.4, from memory; quantiles by scipy.stats).
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from calibration.camera import PARAMETERS, POSE, Camera
from tests.support import motion_case as case
from tracker.core.types import STATE
from tracker.motion import CameraEvidence, Solution, solve
from tracker.motion.robust.camera_agreement import innovations

TIME = np.arange(-0.05, 0.12, 4e-3)
CRASH = case.crash(TIME)
TURN_U, PLACE_U = 3e-4, 3e-3
OTHER_SIDE = case.camera_at((-1.0, 11.0, -1.0), (-1.0, 0.0, -0.8), focal=1400.0)
VIEWS = {
    "overhead": (case.OVERHEAD, case.TOP),
    "side": (case.SIDE, case.LEFT),
    "other": (OTHER_SIDE, ("roof2", "roof4", "hood2", "roof1", "roof3")),
}


def calibrated(camera: Camera) -> Camera:
    """The camera with a pose known to 0.3 mrad and 3 mm."""
    covariance = np.zeros((PARAMETERS, PARAMETERS))
    covariance[POSE, POSE] = np.diag([TURN_U**2] * 3 + [PLACE_U**2] * 3)
    return replace(camera, covariance=covariance)


def filmed(errors: dict[str, np.ndarray], seed: int = 0) -> dict[str, CameraEvidence]:
    """What cameras see whose poses (turn in rad, place in m) are off by `errors`."""
    out = {}
    for k, (name, error) in enumerate(errors.items()):
        camera, marks = VIEWS[name]
        change = np.zeros(PARAMETERS)
        change[POSE] = error
        seen = case.evidence(
            camera.with_change(change), TIME, CRASH, marks, 0.03, seed=10 * seed + k
        )
        out[name] = replace(seen, camera=calibrated(camera))
    return out


def moved(mm: float) -> np.ndarray:
    """A camera that stands further along y and lower than where it was calibrated."""
    return np.array([0, 0, 0, 0, 6e-4 * mm, 8e-4 * mm])


def named(solution: Solution) -> list[str]:
    return [f.where for f in solution.findings if f.code == "cameras_disagree"]


@pytest.mark.slow
def test_sound_cameras_leave_their_calibration_as_chi_square_says() -> None:
    rng = np.random.default_rng(5)
    square, dof = 0.0, 0
    for seed in range(8):
        errors = {
            name: rng.standard_normal(6) * ([TURN_U] * 3 + [PLACE_U] * 3)
            for name in ("overhead", "side")
        }
        solution = solve(filmed(errors, seed), {"car": case.car()})
        assert not named(solution)
        # either camera's: what the two share counts for both
        found = innovations(solution.iterate, solution.step.covariance_root)[seed % 2]
        square, dof = square + found.square, dof + found.dof
    assert dof > 8
    assert chi2.ppf(1e-3, dof) < square < chi2.isf(1e-3, dof)


@pytest.mark.parametrize("mm", [40.0, 400.0])
def test_of_two_cameras_that_disagree_either_may_be_wrong(mm: float) -> None:
    """A side camera that far from where it was calibrated moves nothing beyond its u: neither by
    little nor by so much that marks seem to scatter.
    """
    sound = solve(filmed({"overhead": np.zeros(6), "side": np.zeros(6)}), {"car": case.car()})
    solution = solve(filmed({"overhead": np.zeros(6), "side": moved(mm)}), {"car": case.car()})
    assert sorted(named(solution)) == ["cameras.overhead", "cameras.side"]
    motion, before = solution.motion("car", TIME), sound.motion("car", TIME)
    place = [STATE.index(c) for c in ("x_m", "y_m", "z_m")]
    assert (np.abs(motion.state - CRASH)[:, place] < 3 * motion.u[:, place]).all()
    assert motion.u[:, place[1]].mean() > 2 * before.u[:, place[1]].mean()


@pytest.mark.parametrize("mm", [60.0, 400.0])
def test_of_three_cameras_the_one_that_two_contradict_is_named(mm: float) -> None:
    errors = {"overhead": np.zeros(6), "side": moved(mm), "other": np.zeros(6)}
    solution = solve(filmed(errors), {"car": case.car()})
    assert named(solution) == ["cameras.side"]
    motion = solution.motion("car", TIME)
    assert (np.abs(motion.state - CRASH)[:, :6] < 4 * motion.u[:, :6]).mean() > 0.95
