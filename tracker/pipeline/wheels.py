"""Wheels with marks of their own: how they turn and are steered against their vehicle."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from tracker.camera.stage import CalibratedFilm
from tracker.core.types import Quantity
from tracker.motion import Solution
from tracker.motion.wheel import WheelGeometry, WheelMotion, wheel_motion
from tracker.pipeline.camera_result import evidence
from tracker.pipeline.motions import SolvedMotions
from tracker.record.load import Record
from tracker.results.after_contact import WheelResult
from tracker.results.schema import Curve


def wheels(
    record: Record,
    films: Mapping[str, CalibratedFilm],
    solution: Solution,
    motions: SolvedMotions,
) -> dict[str, WheelMotion]:
    """The motion of every wheel whose vehicle is solved and whose marks were seen."""
    found = {}
    for name, table in record.vehicles.items():
        wheel = table.wheel
        if wheel is None or wheel.of not in motions.of:
            continue
        marks = {n: m.at for n, m in table.markers.items() if m.at is not None}
        if not marks:
            continue
        geometry = WheelGeometry(wheel.of, wheel.hub, marks, record.survey.marker_u)
        cameras = {n: evidence(film) for n, film in films.items()}
        motion = wheel_motion(solution, cameras, name, geometry, motions.draws)
        if motion is not None:
            found[name] = motion
    return found


def wheel_results(
    record: Record, found: Mapping[str, WheelMotion], vehicle: str
) -> dict[str, WheelResult]:
    """Of each wheel of a vehicle."""
    return {
        name: wheel_result(motion)
        for name, motion in found.items()
        if (wheel := record.vehicles[name].wheel) is not None and wheel.of == vehicle
    }


def wheel_result(motion: WheelMotion) -> WheelResult:
    """Greatest steering angles to either side, and the fastest turn."""

    def steer(k: int) -> Quantity:
        return Quantity(
            float(motion.steer[k]), "rad", float(motion.steer_u[k]), float(motion.time[k])
        )

    fastest = int(np.argmax(np.abs(motion.turn_rate)))
    step = float(np.median(np.diff(motion.time)))
    rate = Quantity(
        float(motion.turn_rate[fastest]),
        "rad/s",
        float(motion.turn_u[fastest] / (np.sqrt(2.0) * step)),
        float(motion.time[fastest]),
    )
    return WheelResult(
        steer(int(np.argmax(motion.steer))), steer(int(np.argmin(motion.steer))), rate
    )


def wheel_curves(found: Mapping[str, WheelMotion]) -> Iterator[Curve]:
    """Turn and steering angle of each wheel against time."""
    for name, motion in found.items():
        yield Curve(name, "turn", "film", "rad", motion.time, motion.turn, motion.turn_u)
        yield Curve(name, "steer", "film", "rad", motion.time, motion.steer, motion.steer_u)
