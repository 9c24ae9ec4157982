"""Paths of points and body rates."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tests.support import motion_case as case
from tracker.kinematics import body_rates, path_of
from tracker.motion import solve


def test_body_rates_are_those_of_the_turning_body() -> None:
    """Source: rotation vector between neighbouring attitudes, scipy.spatial.transform.Rotation."""
    t = np.linspace(0, 1, 2001)
    state = np.zeros((len(t), 15))
    for k, (size, w) in enumerate([(0.4, 6), (0.5, 7), (0.6, 8)]):
        state[:, 3 + k], state[:, 9 + k] = size * np.sin(w * t), size * w * np.cos(w * t)
    attitude = Rotation.from_euler("ZYX", state[:, [5, 4, 3]])
    turned = (attitude[:-2].inv() * attitude[2:]).as_rotvec() / (t[2] - t[0])
    assert body_rates(state)[1:-1] == pytest.approx(turned, abs=1e-4)


def test_a_point_far_ahead_of_the_markers_is_known_less_well_than_the_middle() -> None:
    t = np.arange(-0.02, 0.06, 4e-3)
    truth = case.crash(t)
    solution = solve(
        {"a": case.evidence(case.OVERHEAD, t, truth, case.TOP, 0.03)}, {"car": case.car()}
    )
    cg, far = (path_of(solution, "car", np.array(at), t) for at in (case.CG, (9.0, 0.0, -0.5)))
    motion = solution.motion("car", t)
    assert cg.position == pytest.approx(motion.state[:, :3])
    assert cg.position_u == pytest.approx(motion.u[:, :3], rel=0.25)
    assert (far.position_u.mean(axis=0) > cg.position_u.mean(axis=0))[1:].all()
    assert cg.observed.all()
    assert far.observed.all()
