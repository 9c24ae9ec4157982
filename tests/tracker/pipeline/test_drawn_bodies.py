"""A wheel that rolls and is steered, and a trailer on its tractor, from drawn films to results.

The truth is the motion that was drawn; the places of a wheel's marks are those of SciPy's
rotations: steered about the vehicle's vertical after the turn about the axle.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calibration.camera import Camera
from tests.support.drawn_bodies import (
    Body,
    Spot,
    body_of,
    drawn_film,
    drawn_record,
    opening_of,
)
from tests.support.motion_case import CG, camera_at
from tracker.camera.stage import calibrate_camera
from tracker.core.rigid_body import rotation
from tracker.pipeline.analyse import analyse
from tracker.results.schema import Curve, Results

pytestmark = pytest.mark.slow

CAR = {
    "roof1": Spot((0.8, -0.45, -1.42), "z"),
    "roof2": Spot((0.8, 0.45, -1.42), "z"),
    "roof3": Spot((-0.7, -0.5, -1.42), "z"),
    "hood1": Spot((1.6, 0.1, -0.95), "z"),
    "door1": Spot((0.35, -0.86, -0.75), "y"),
    "door2": Spot((-0.5, -0.86, -0.95), "y"),
    "sill1": Spot((-1.3, -0.86, -0.5), "y"),
}
SIDE = ("door1", "door2", "sill1")
HUB, HUB_RADIUS = (1.2, -0.82, -0.30), 0.30
WHEEL = {
    "a": Spot((0.17, -0.03, 0.0), "y", "disc"),
    "b": Spot((-0.085, -0.03, 0.15), "y", "disc"),
    "c": Spot((-0.085, -0.03, -0.15), "y", "disc"),
}
SPEED, RATE = 12.0, 500.0
TABLES = f"""
[vehicles.car]
role = "striking"
mass = "1100 kg"
cg = ["0 m", "0 m", "{CG[2]} m"]
[vehicles.wheel]
wheel = {{ of = "car", hub = ["{HUB[0]} m", "{HUB[1]} m", "{HUB[2]} m"] }}
"""


def results_of(
    folder: Path,
    tables: str,
    cameras: dict[str, tuple[Camera, tuple[str, ...]]],
    bodies: dict[str, Body],
    rate: float,
    zero: int,
) -> Results:
    record = drawn_record(folder, tables, cameras, bodies, rate, zero)
    films = {name: drawn_film(camera, bodies, marks) for name, (camera, marks) in cameras.items()}
    return analyse(record, calibrate=partial(calibrate_camera, opening=opening_of(films)))


def curve(results: Results, vehicle: str, quantity: str) -> Curve:
    return next(c for c in results.curves if (c.of, c.quantity) == (vehicle, quantity))


def test_a_wheel_s_turn_and_steering_are_those_that_were_drawn(tmp_path: Path) -> None:
    time = np.arange(-20, 100) / RATE
    car = np.zeros((len(time), 15))
    car[:, 0], car[:, 2] = -1.6 + SPEED * time, CG[2]
    car[:, 5] = 0.06 * np.maximum(time, 0.0)
    steer = np.radians(12) * np.sin(np.clip(time / 0.18, 0, 1) * np.pi / 2) ** 2
    turn = -(SPEED / HUB_RADIUS) * time + 0.3
    body = body_of(car, CG, CAR)
    own = Rotation.from_euler("ZY", np.stack([steer, turn], axis=1)).as_matrix()
    hub = Body(WHEEL, body.origin + body.turn @ np.array(HUB), body.turn @ own)
    seen = tuple(f"car.{m}" for m in SIDE) + tuple(f"wheel.{m}" for m in WHEEL)
    cameras = {
        "above": (camera_at((-0.5, 0, -10.0), (-0.5, 0, 0), (0, -1.0, 0), 1000.0), tuple(
            f"car.{m}" for m in ("roof1", "roof2", "roof3", "hood1"))),
        "side": (camera_at((0.3, -9.0, -1.2), (0.3, 0, -0.4), focal=1300.0), seen),
        "oblique": (camera_at((6.0, -8.0, -2.0), (0.4, -0.5, -0.4), focal=1500.0), seen),
    }  # fmt: skip
    results = results_of(tmp_path, TABLES, cameras, {"car": body, "wheel": hub}, RATE, 20)

    turned, steered = curve(results, "wheel", "turn"), curve(results, "wheel", "steer")
    assert np.ptp(turned.time) > 0.2
    off = turned.value - np.interp(turned.time, time, turn)
    off -= 2 * np.pi * np.round(np.median(off) / (2 * np.pi))
    assert np.abs(off).max() < np.radians(1.0)
    assert np.mean(np.abs(off) < 2 * turned.u) > 0.85
    off = steered.value - np.interp(steered.time, time, steer)
    assert np.abs(off).max() < np.radians(1.5)
    assert np.mean(np.abs(off) < 2 * steered.u) > 0.85
    found = results.vehicles["car"].wheels["wheel"]
    assert found.max_steer is not None
    assert abs(found.max_steer.value - np.radians(12)) < 3 * found.max_steer.u


HITCH = np.array([-1.9, 0.0, -0.5])
KINGPIN = np.array([0.4, 0.0, -0.5])
TRAILER_CG = (-2.0, 0.0, -0.9)
TRAILER = {
    "top1": Spot((-0.6, -0.5, -1.8), "z"),
    "top2": Spot((-3.0, 0.4, -1.8), "z"),
    "top3": Spot((-2.0, 0.6, -1.8), "z"),
}
ROAD_TRAIN = f"""
[vehicles.tractor]
role = "striking"
mass = "7000 kg"
cg = ["0 m", "0 m", "{CG[2]} m"]
[vehicles.trailer]
mass = "9000 kg"
cg = ["-2 m", "0 m", "-0.9 m"]
[vehicles.trailer.joint]
to = "tractor"
at = ["-1.9 m", "0 m", "-0.5 m"]
own = ["0.4 m", "0 m", "-0.5 m"]
u = "3 mm"
"""


def test_a_trailer_swings_out_as_it_was_drawn(tmp_path: Path) -> None:
    rate = 200.0
    time = np.arange(-12, 80) / rate
    after = np.maximum(time, 0.0)
    tractor = np.zeros((len(time), 15))
    tractor[:, 0], tractor[:, 2] = 1.2 + 6 * time, CG[2]
    tractor[:, 5] = 0.8 * after**2
    swing = -np.radians(30) * np.sin(np.minimum(after / 0.35, 1) * np.pi / 2) ** 2
    trailer = np.zeros_like(tractor)
    trailer[:, 5] = tractor[:, 5] + swing
    pin = tractor[:, :3] + rotation(tractor[:, 3:6]) @ (HITCH - np.array(CG))
    trailer[:, :3] = pin - rotation(trailer[:, 3:6]) @ (KINGPIN - np.array(TRAILER_CG))
    bodies = {
        "tractor": body_of(tractor, CG, CAR),
        "trailer": body_of(trailer, TRAILER_CG, TRAILER),
    }
    above = camera_at((0.0, 0.0, -12.0), (0.0, 0.0, 0.0), (0.0, -1.0, 0.0), 1000.0)
    marks = tuple(f"tractor.{m}" for m in ("roof1", "roof2", "roof3", "hood1"))
    cameras = {"above": (above, (*marks, *(f"trailer.{m}" for m in TRAILER)))}

    results = results_of(tmp_path, ROAD_TRAIN, cameras, bodies, rate, 12)

    angle = curve(results, "trailer", "articulation")
    off = angle.value - np.interp(angle.time, time, swing)
    assert np.abs(off).max() < np.radians(0.5)
    assert np.mean(np.abs(off) < 2 * angle.u) > 0.85
    joint = results.vehicles["trailer"].joint
    assert joint is not None
    assert joint.to == "tractor"
    assert joint.min_yaw is not None
    assert abs(joint.min_yaw.value + np.radians(30)) < 3 * joint.min_yaw.u
    assert "joint_opens" not in {w.code for w in results.warnings}
    motion = results.motion["trailer"]
    inside = (motion.time > 0) & (motion.time < 0.35)
    error = motion.state[inside, :2] - np.stack(
        [np.interp(motion.time[inside], time, trailer[:, k]) for k in range(2)], axis=1
    )
    assert np.abs(error).max() < 0.03
