"""Invented results of a head-on test, consistent with one another, for tests of what is written."""

from __future__ import annotations

from typing import Any

import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.findings import Diagnostic
from tracker.core.types import STATE, Motion, Quantity, Status, Tracks
from tracker.results.channels import (
    ChannelAgreement,
    ChannelFinding,
    CrossCheckResult,
    SpragueGeersResult,
    VelocityComparison,
)
from tracker.results.schema import (
    Budget,
    CameraResult,
    ConditionsResult,
    CrushResult,
    Curve,
    FrameNumber,
    IntendedResult,
    MarkCounts,
    MarkFit,
    Occupant,
    OccupantResult,
    PointPath,
    Results,
    Share,
    Software,
    SpeedCheck,
    VehicleResult,
    View,
)
from tracker.results.verdicts import Criterion, Measure
from tracker.storage.audit_log import Entry

SPEED, PULSE, LENGTH = 27.5, 0.16, 0.35  # m/s, s (of the deceleration), s (of the film)
TIME = np.arange(-0.05, LENGTH, 0.001)


def deceleration(time: Array) -> Array:
    """A half sine that takes 24 m/s from the car."""
    pulse = np.where((time >= 0) & (time < PULSE), np.sin(np.pi * time / PULSE), 0.0)
    return -24.0 * np.pi / (2 * PULSE) * pulse


def car_motion() -> Motion:
    state = np.zeros((len(TIME), len(STATE)))
    column = {name: i for i, name in enumerate(STATE)}
    a = deceleration(TIME)
    v = SPEED + np.cumsum(a) * 0.001
    state[:, column["ax_mps2"]] = a
    state[:, column["vx_mps"]] = v
    state[:, column["x_m"]] = np.cumsum(v) * 0.001 - 1.4
    state[:, column["z_m"]] = -0.55
    bump = np.where(TIME > 0, np.sin(np.pi * np.clip(TIME, 0, 0.3) / 0.3), 0.0)
    state[:, column["pitch_rad"]] = -0.09 * bump
    state[:, column["yaw_rad"]] = 0.05 * np.clip(TIME, 0, None) / LENGTH
    state[:, column["pitch_rate_radps"]] = np.gradient(state[:, column["pitch_rad"]], TIME)
    u = np.ones_like(state) * 0.002
    u[:, column["vx_mps"]] = 0.03
    u[:, column["ax_mps2"]] = 4.0 + 3.0 * np.abs(a) / 235
    observed = np.ones(state.shape, dtype=bool)
    observed[:, column["roll_rad"]] = observed[:, column["roll_rate_radps"]] = False
    return Motion(TIME, state, u, observed)


def occupant(scale: float, u: float) -> OccupantResult:
    return OccupantResult(
        oiv_x=Quantity(9.871 * scale, "m/s", u, 0.1043),
        oiv_y=Quantity(-0.21, "m/s", 0.11),
        oiv_time=Quantity(0.1043, "s", 0.0006),
        ridedown_x=Quantity(-14.62 * scale, "g", 6 * u, 0.1132),
        ridedown_y=Quantity(0.9, "g", 0.4, 0.12),
        thiv=Quantity(9.93 * scale, "m/s", u, 0.105),
        phd=Quantity(14.8, "g", 0.6),
        asi=Quantity(1.21, "1", 0.023, 0.08),
    )


def tracks(camera: str, marks: tuple[str, ...], frames: int) -> Tracks:
    frame = np.arange(frames)[:, None]
    place = np.stack(
        [
            200 + 1.7 * frame + 60 * np.arange(len(marks)),
            300 + 0.2 * frame + 0 * np.arange(len(marks)),
        ],
        axis=-1,
    ).astype(float)
    covariance = np.tile(np.diag([4e-4, 3e-4]), (frames, len(marks), 1, 1))
    status = np.full((frames, len(marks)), Status.MEASURED, dtype=np.int8)
    status[40:60, 0] = Status.HIDDEN
    status[300:, -1] = Status.LOST
    hidden = status != Status.MEASURED
    place[hidden], covariance[hidden] = np.nan, np.nan
    return Tracks(camera, marks, place, covariance, status)


def camera(position: tuple[float, float, float]) -> Camera:
    lens = Lens(
        np.array([[1510.0, 0, 639.5], [0, 1510.0, 511.5], [0, 0, 1]]),
        np.array([-0.1, 0.03, 0, 0, 0]),
        (1280, 1024),
    )
    down = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]])
    return Camera(lens, down, np.array(position))


def camera_result(film: str) -> CameraResult:
    return CameraResult(
        frames=400,
        frame_rate=Quantity(1000.021, "1/s", 0.014),
        time_zero_frame=FrameNumber(50.37, 0.08),
        reprojection_rms_px=0.041,
        survey_residuals_px={f"g{i}": 0.02 + 0.013 * i for i in range(1, 7)},
        focal_px=1511.23,
        position=(
            Quantity(-3.012, "m", 0.006),
            Quantity(0.021, "m", 0.0055),
            Quantity(-12.104, "m", 0.011),
        ),
        steadiness_rms_px=0.31,
        marks=MarkCounts(1541, 20, 39),
        film=film,
        time_base="Time from the nominal rate; time zero from the flash.",
        lens="Focal length solved with the pose, ± 0.8 px; distortion as given.",
        mark_fits={"car.roof1": MarkFit(0.036, 380, 2), "car.roof2": MarkFit(0.044, 400)},
    )


# name, value, u, limit, unit, verdict, letter, note
CRITERIA: tuple[tuple[Any, ...], ...] = (
    ("largest roll", None, None, 1.308996939, "rad", "undetermined", "F", "not determined"),
    ("largest pitch", -0.09, 0.0021, 1.308996939, "rad", "pass", "F", ""),
    ("occupant impact velocity, x (preferred)", 9.871, 0.052, 9.144, "m/s", "fail", "H", ""),
    ("occupant impact velocity, x", 9.871, 0.052, 12.192, "m/s", "pass", "H", ""),
    ("occupant impact velocity, y (preferred)", -0.21, 0.11, 9.144, "m/s", "pass", "H", ""),
    ("occupant impact velocity, y", -0.21, 0.11, 12.192, "m/s", "pass", "H", ""),
    ("ridedown acceleration, x (preferred)", -14.62, 0.31, 15.0, "g", "undetermined", "I", ""),
    ("ridedown acceleration, x", -14.62, 0.31, 20.49, "g", "pass", "I", ""),
    ("ridedown acceleration, y", 0.9, 0.4, 20.49, "g", "pass", "I", ""),
    ("impact speed against intended", -0.235, 0.021, 1.1176, "m/s", "pass", "2.1", ""),
    ("impact angle against intended", 0.0042, 0.0009, 0.0262, "rad", "pass", "2.1", ""),
    ("mass of the striking vehicle", 0.3, None, 24.9, "kg", "pass", "2.1", ""),
    ("kinetic energy at impact", 414.6e3, 640.0, 387.9e3, "J", "pass", "2.1", "at least 92 %"),
)


def _measure(name: str, unit: str) -> Measure:
    if unit == "m/s":
        return "occupant_speed" if "occupant" in name else "speed"
    kinds: dict[str, Measure] = {"rad": "angle", "kg": "mass", "J": "energy", "g": "acceleration_g"}
    return kinds[unit]


def made_results(units: str = "us") -> Results:
    motion = car_motion()
    v = motion.state[:, 6]
    accelerometer = (v - SPEED) * 1.011
    still = Motion(
        TIME,
        np.zeros_like(motion.state),
        np.full_like(motion.u, 0.003),
        np.isin(STATE, ("x_m", "vx_mps")) & np.ones_like(motion.observed_mask),
    )
    quantities = VehicleResult(
        role="striking",
        mass=1098.0,
        impact_speed=Quantity(27.482, "m/s", 0.021),
        impact_angle=Quantity(0.0042, "rad", 0.0009),
        impact_offset=Quantity(0.031, "m", 0.0043),
        max_pitch=Quantity(0.0, "rad", 0.0011, 0.0),
        min_pitch=Quantity(-0.09, "rad", 0.0021, 0.15),
        max_yaw=Quantity(0.0498, "rad", 0.0019, 0.349),
        min_yaw=Quantity(0.0, "rad", 0.0009, 0.0),
        max_rise=Quantity(0.112, "m", 0.0061, 0.171),
        travel_x=Quantity(3.41, "m", 0.012),
        travel_y=Quantity(0.04, "m", 0.011),
        rest=False,
        velocity_change=Quantity(-24.01, "m/s", 0.036),
        occupant=Occupant(occupant(1.0, 0.052), occupant(1.009, 0.098), occupant(1.002, 0.046)),
    )
    truck = VehicleResult(
        role="struck",
        mass=9043.0,
        travel_x=Quantity(1.274, "m", 0.0094),
        velocity_change=Quantity(2.91, "m/s", 0.03),
        rest=False,
    )
    edge = np.column_stack([motion.state[:, 0] + 2.05, 0 * TIME, 0 * TIME - 0.5])
    return Results(
        test=ConditionsResult(
            "K-07",
            "Small car into parked work truck with crash cushion",
            "mash2016",
            "2026-05-04",
            units,  # type: ignore[arg-type]
            IntendedResult(27.71648, 0.0, 0.0),
        ),
        software=Software("0.1.0", {"record.toml": "ab" * 32, "overhead.mp4": "0f" * 32}),
        cameras={"overhead": camera_result("overhead.mp4"), "side": camera_result("side.mp4")},
        vehicles={"car": quantities, "truck": truck},
        crush=CrushResult(Quantity(1.893, "m", 0.0081, 0.171), 0.171),
        cross_check={
            "car": CrossCheckResult(
                "disagree",
                VelocityComparison(
                    0.183,
                    0.31,
                    SpragueGeersResult(0.011, 0.004, 0.012),
                    {
                        "total": 0.953,
                        "corridor": 0.97,
                        "phase": 1.0,
                        "magnitude": 0.98,
                        "slope": 0.91,
                    },
                ),
                (
                    ChannelFinding(
                        "ax", "scale", 1.011, 0.0019, "1", "ax reads 1.1 % high against the film"
                    ),
                ),
                {
                    "ax": ChannelAgreement(
                        "disagree",
                        "ax reads 1.1 % high against the film",
                        "m/s",
                        rms=0.183,
                        max=0.31,
                        displacement_rms=0.021,
                        displacement_max=0.044,
                        final=Quantity(-0.27, "m/s", 0.058),
                        sprague_geers=SpragueGeersResult(0.011, 0.004, 0.012),
                        residual_mean=-0.008,
                        residual_sd=0.004,
                        w179=True,
                        iso18571=0.953,
                    ),
                    "yaw_rate": ChannelAgreement("undetermined", "nothing to compare", "rad"),
                },
            )
        },
        speed_check=SpeedCheck(Quantity(27.482, "m/s", 0.021), Quantity(27.448, "m/s", 0.13), True),
        criteria=tuple(
            Criterion(
                name,
                value,
                limit,
                unit,
                verdict,
                f"MASH 2016, {letter}",
                u,
                note,
                preferred="(preferred)" in name,
                sense="least" if note.startswith("at least") else "most",
                measure=_measure(name, unit),
            )
            for name, value, u, limit, unit, verdict, letter, note in CRITERIA
        ),
        warnings=(
            Diagnostic("roll_unobserved", "no camera determines the roll of car", "vehicles.car"),
            Diagnostic(
                "survey", "target g4 is off by 3.1 of its u <b>& kept</b>", "cameras.side.survey.g4"
            ),
        ),
        budgets=(
            Budget(
                "car: impact speed",
                "m/s",
                0.021,
                (
                    Share("frame rate", 0.0004),
                    Share("survey", 0.019),
                    Share("picture noise", 0.0088),
                ),
                "speed",
            ),
        ),
        motion={"car": motion, "truck": still},
        points={
            "car": {
                "front": PointPath(
                    TIME, edge, motion.state[:, 6:9], motion.u[:, :3], motion.u[:, 6:9]
                ),
                "aft": PointPath(
                    TIME, edge - 4.1, motion.state[:, 6:9], motion.u[:, :3], motion.u[:, 6:9]
                ),
            }
        },
        tracks={
            "overhead": tracks("overhead", ("car.roof1", "car.roof2", "survey.g1"), 400),
            "side": tracks("side", ("car.door1", "survey.s1"), 400),
        },
        times={"overhead": TIME[:400], "side": TIME[:400] + 0.0002},
        curves=(
            Curve("car", "velocity_x", "film", "m/s", TIME, v - SPEED, 0 * TIME + 0.03),
            Curve(
                "car",
                "velocity_x",
                "accelerometer",
                "m/s",
                TIME,
                accelerometer,
                0.001 + 0.3 * np.clip(TIME, 0, None),
            ),
            Curve(
                "car", "acceleration_x", "film", "m/s2", TIME, motion.state[:, 12], motion.u[:, 12]
            ),
            Curve("overhead", "steadiness_u", "fixed targets", "px", TIME, 0.4 * np.sin(90 * TIME)),
            Curve("overhead", "steadiness_v", "fixed targets", "px", TIME, 0.3 * np.cos(70 * TIME)),
        ),
        views={"side": View("/films/side.mp4", camera((0.0, -0.5, -14.0)), 1000.0, 12)},
        log=(
            Entry(
                "input",
                "film overhead.mp4: 400 frames",
                "cameras.overhead",
                {"frames": 400},
                "2026-05-04T10:00:00.000Z",
            ),
            Entry(
                "edit",
                "mark placed by hand in frame 51",
                "overhead, car.roof2",
                {"frame": 51},
                "2026-05-04T10:02:00.000Z",
            ),
        ),
    )
