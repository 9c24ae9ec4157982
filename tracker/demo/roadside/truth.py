"""What a roadside demonstration's vehicle truly did, in the terms of `results.json`."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np

from calibration.arrays import Array


class StateAtTimes(Protocol):
    """A vehicle's exact motion."""

    def state(self, time: Array) -> Array:
        """Columns `tracker.core.types.STATE` (m, 15) at times (m,)."""
        ...

    @property
    def exit_time(self) -> float:
        """When the article pushes for the last time, s."""
        ...


def motion_truth(motion: StateAtTimes, grid: Array, before: float) -> dict[str, Any]:
    """Impact, extremes and exit; `grid` (n,) s is what the films show after contact, `before` s
    what they show ahead of it. SI and radians.
    """
    zero = motion.state(np.zeros(1))[0]
    end = motion.state(np.array([motion.exit_time]))[0]
    state, earlier = motion.state(grid), motion.state(np.linspace(-before, -1e-3, 200))
    numbers: dict[str, Any] = {
        "impact_speed": float(np.hypot(*zero[6:8])),
        "impact_angle": float(np.arctan2(zero[7], zero[6])),
    }
    for name, column in (("roll", 3), ("pitch", 4), ("yaw", 5)):
        change = state[:, column] - earlier[:, column].mean()
        numbers[f"max_{name}"], numbers[f"min_{name}"] = float(change.max()), float(change.min())
    numbers["max_rise"] = float(earlier[:, 2].mean() - state[:, 2].min())
    numbers["exit"] = {
        "time": motion.exit_time,
        "speed": float(np.hypot(*end[6:8])),
        "trajectory_angle": float(np.arctan2(end[7], end[6])),
        "heading_angle": float(end[5]),
        "yaw_rate": float(end[11]),
    }
    return numbers
