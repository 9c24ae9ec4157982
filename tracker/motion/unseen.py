"""When nothing shows a vehicle in the midst of its motion."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.motion.posterior import Solution
from tracker.motion.robust.options import DIAGNOSTICS


def unseen_spans(solution: Solution, vehicle: str) -> list[tuple[float, float]]:
    """The times, s, from one to the next at which a film shows the vehicle or a sensor in it reads,
    where they are farther apart than `DIAGNOSTICS.unseen_gap`.
    """
    setup, values = solution.setup, solution.iterate.values
    body = solution.vehicles.index(vehicle)
    shown = [np.empty(0)]
    for k, (camera, inliers) in enumerate(
        zip(setup.cameras, solution.iterate.inlier_masks, strict=True)
    ):
        shown.append(setup.times(values, k)[inliers[:, camera.body == body].any(axis=1)])
    for sensor in setup.sensors:
        if sensor.body == body:
            read = np.unique(np.concatenate([channel.on for channel in sensor.channels]))
            shown.append(sensor.seconds[read])
    times = np.unique(np.concatenate(shown))
    gaps = np.flatnonzero(np.diff(times) > DIAGNOSTICS.unseen_gap)
    return [(float(times[k]), float(times[k + 1])) for k in gaps]


def is_unseen_mask(times: Array, spans: list[tuple[float, float]]) -> NDArray[np.bool_]:
    """Which times (n,), s, lie within these spans."""
    within = np.zeros(len(times), bool)
    for first, last in spans:
        within |= (times > first) & (times < last)
    return within


def unseen_diagnostics(solution: Solution) -> list[Diagnostic]:
    """One for each stretch in which a vehicle is out of sight."""
    out = []
    for vehicle in solution.vehicles:
        for first, last in unseen_spans(solution, vehicle):
            text = (
                f"nothing shows {vehicle} from {first:.3f} s to {last:.3f} s: its motion there is "
                "left empty, and what is computed across it rests on how smooth a motion is"
            )
            out.append(Diagnostic("vehicle_unseen_between", text, f"vehicles.{vehicle}"))
    return out
