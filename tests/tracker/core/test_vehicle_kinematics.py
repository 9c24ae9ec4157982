"""Body rates of a motion, against an independent library."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tracker.core.vehicle_kinematics import body_rates


def test_body_rates_are_those_of_the_turning_body() -> None:
    """Source: rotation vector between neighbouring attitudes, scipy.spatial.transform.Rotation."""
    t = np.linspace(0, 1, 2001)
    state = np.zeros((len(t), 15))
    for k, (size, w) in enumerate([(0.4, 6), (0.5, 7), (0.6, 8)]):
        state[:, 3 + k], state[:, 9 + k] = size * np.sin(w * t), size * w * np.cos(w * t)
    attitude = Rotation.from_euler("ZYX", state[:, [5, 4, 3]])
    turned = (attitude[:-2].inv() * attitude[2:]).as_rotvec() / (t[2] - t[0])
    assert body_rates(state)[1:-1] == pytest.approx(turned, abs=1e-4)
