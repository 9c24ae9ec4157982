"""A made world for the tests of rigid motion: cameras, a vehicle with markers, exact motions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.camera import Camera, Lens
from tracker.core.rigid_body import rotate_vectors
from tracker.motion import CameraEvidence, VehicleGeometry

CG = (0.0, 0.0, -0.56)
MARKERS = {
    "roof1": (0.80, -0.45, -1.42),
    "roof2": (0.80, 0.45, -1.42),
    "roof3": (-0.60, -0.50, -1.42),
    "roof4": (-0.60, 0.50, -1.42),
    "hood1": (1.60, -0.50, -0.95),
    "hood2": (1.60, 0.50, -0.95),
    "door1": (0.35, -0.86, -0.70),
    "door2": (-0.50, -0.86, -0.72),
    "sill1": (1.20, -0.86, -0.50),
    "sill2": (-1.20, -0.86, -0.50),
}
TOP = ("roof1", "roof2", "roof3", "roof4", "hood1", "hood2")
LEFT = ("roof1", "roof3", "hood1", "door1", "door2", "sill1", "sill2")


def camera_at(
    place: tuple[float, float, float],
    target: tuple[float, float, float],
    up: tuple[float, float, float] = (0.0, 0.0, -1.0),
    focal: float = 1500.0,
) -> Camera:
    """A camera that looks from a place at a target, 1280 by 1024 px."""
    z = np.array(target) - np.array(place)
    z = z / np.linalg.norm(z)
    x = np.cross(z, up)
    x = x / np.linalg.norm(x)
    lens = Lens(
        np.array([[focal, 0, 639.5], [0, focal, 511.5], [0, 0, 1.0]]),
        np.array([-0.12, 0.05, 0, 0, 0]),
        (1280, 1024),
    )
    return Camera(lens, np.array([x, np.cross(z, x), z]), np.array(place, dtype=float))


OVERHEAD = camera_at((-1.0, 0.0, -12.0), (-1.0, 0.0, 0.0), up=(1.0, 0.0, 0.0))
SIDE = camera_at((-1.0, -11.0, -1.0), (-1.0, 0.0, -0.8), focal=1400.0)


def crash(time: np.ndarray, heading: float = 0.02) -> np.ndarray:
    """States (n, 15): 14 m/s, then 200 m/s^2 dying out over 90 ms, with pitch, dive and yaw."""
    s = np.zeros((len(time), 15))
    after = np.maximum(time, 0.0)
    on = np.minimum(after, 0.09)
    s[:, 0] = -1 + 14 * time - 200 * (on**2 / 2 - on**3 / 0.54) - 9.0 * (after - on)
    s[:, 6] = 14 - 200 * (on - on**2 / 0.18)
    s[:, 12] = np.where((time >= 0) & (time < 0.09), -200 * (1 - on / 0.09), 0.0)
    s[:, 1], s[:, 7] = 0.1 + 0.3 * time, 0.3
    w = 4 * np.pi
    s[:, 2] = -0.56 - 0.05 * (1 - np.cos(w * after))
    s[:, 8] = -0.05 * w * np.sin(w * after)
    s[:, 14] = np.where(time >= 0, -0.05 * w**2 * np.cos(w * after), 0.0)
    s[:, 3] = 0.01
    s[:, 4], s[:, 10] = -0.04 * (1 - np.cos(w * after)), -0.04 * w * np.sin(w * after)
    s[:, 5], s[:, 11] = heading + 0.3 * after**2, 0.6 * after
    return s


def steps(time: np.ndarray) -> np.ndarray:
    """States (n, 15) of a motion without jerk but for a step of acceleration at time zero: what a
    spline with a free step can follow exactly.
    """
    s = np.zeros((len(time), 15))
    after = np.maximum(time, 0.0)
    s[:, 0], s[:, 6] = -1 + 14 * time - 40 * after**2, 14 - 80 * after
    s[:, 12] = np.where(time >= 0, -80.0, 0.0)
    s[:, 1], s[:, 2] = 0.2, -0.56
    s[:, 4], s[:, 10] = 1.5 * after**2, 3 * after
    s[:, 5], s[:, 11] = 0.02 + 0.1 * time, 0.1
    return s


def evidence(
    camera: Camera,
    time: np.ndarray,
    states: np.ndarray,
    marks: tuple[str, ...],
    noise: float = 0.0,
    seed: int = 0,
    vehicle: str = "car",
    markers: dict[str, tuple[float, float, float]] | None = None,
    cg: tuple[float, float, float] = CG,
) -> CameraEvidence:
    """What a camera sees of a vehicle in motion, with noise of this sd (px)."""
    places = MARKERS if markers is None else markers
    position = np.empty((len(time), len(marks), 2))
    for k, mark in enumerate(marks):
        arm = np.broadcast_to(np.array(places[mark]) - np.array(cg), (len(time), 3))
        position[:, k] = camera.project(states[:, :3] + rotate_vectors(states[:, 3:6], arm)[0])
    position += noise * np.random.default_rng(seed).standard_normal(position.shape)
    return CameraEvidence(
        camera=camera,
        seconds=time,
        zero_u=0.0,
        rate_u=0.0,
        stabilisation=None,
        marks=tuple(f"{vehicle}.{m}" for m in marks),
        position=position,
        covariance=np.tile(np.eye(2) * max(noise, 0.02) ** 2, (*position.shape[:2], 1, 1)),
        measured_mask=np.ones(position.shape[:2], dtype=bool),
    )


def car(markers: dict[str, tuple[float, float, float]] | None = None) -> VehicleGeometry:
    """The vehicle as surveyed."""
    return VehicleGeometry(CG, MARKERS if markers is None else markers, 1e-3)


def both(time: np.ndarray, states: np.ndarray, noise: float = 0.02, seed: int = 0) -> dict:
    """Overhead and side evidence."""
    return {
        "overhead": evidence(OVERHEAD, time, states, TOP, noise, 2 * seed),
        "side": evidence(SIDE, time, states, LEFT, noise, 2 * seed + 1),
    }


def spoilt(e: CameraEvidence, share: float, seed: int) -> tuple[CameraEvidence, np.ndarray]:
    """The evidence with a share of its marks thrown off by some px, and which (frames, marks)."""
    rng = np.random.default_rng(seed)
    wrong = rng.random(e.measured_mask.shape) < share
    away = rng.normal(0.0, 8.0, (*wrong.shape, 2)) + 3.0
    return replace(e, position=e.position + away * wrong[..., None]), wrong
