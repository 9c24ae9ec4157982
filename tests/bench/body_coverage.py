"""Whether the intervals of solved tests hold the truth:

    python tests/bench/body_coverage.py KIND COUNT [FIRST]

A test is drawn at random: speed, heading, pulse (a step that decays, a half sine, a haversine, two
humps, two blows), pitch, roll and yaw, the struck vehicle's motion, the markers, places and errors
of the cameras, frame rates of 500 and 1000 1/s, clocks, surveys. Marks come straight from the
camera model with noise of the KIND: white; correlated (first-order autoregression of 0.8); weave
(0.1 px common to a frame's marks); drift (a quarter of the variance lasts for some 50 frames, marks
scatter 1.7 times what they say and not alike, as on compressed film).
"""

from __future__ import annotations

import sys
import time as clock
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.integrate import cumulative_trapezoid

from calibration.camera import Camera
from tests.support import motion_case as case
from tracker.core.types import STATE, Quantity
from tracker.motion import CameraEvidence, Solution, VehicleGeometry, solve
from tracker.outcome import headline
from tracker.outcome.headline import PosteriorSamples
from tracker.outcome.occupant_risk import film_acceleration, flail, ridedown
from tracker.pipeline.vehicle_result import film_occupant, occupant_times

CAMERA_U = np.array([3e-4] * 3 + [4e-3] * 3 + [0.5] * 4 + [1e-3, 1e-3, 1e-4, 1e-4, 3e-4])
ZERO_U, RATE_U, MARKER_U = 1e-4, 5e-5, 1e-3
TRUCK_CG = (0.0, 0.0, -1.1)
TRUCK = {
    "bed1": (-1.5, -0.7, -1.08),
    "bed2": (-1.5, 0.7, -1.08),
    "block1": (-0.4, -0.45, -1.6),
    "block2": (0.4, 0.45, -1.6),
    "side1": (-1.2, -1.15, -1.26),
    "side2": (-0.2, -1.15, -1.20),
    "tank1": (0.5, -1.06, -0.66),
}
TOP = {"car": case.TOP, "truck": ("bed1", "bed2", "block1", "block2")}
LEFT = {"car": case.LEFT, "truck": ("block1", "block2", "side1", "side2", "tank1")}
FLAIL = (0.6, 0.3)


def pulse(t: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Deceleration (n,), m/s^2, from time zero on."""
    peak, length = rng.uniform(80, 350), rng.uniform(0.06, 0.16)
    s = np.clip(t / length, 0, 1)
    kind = rng.integers(5)
    if kind == 0:
        shape = np.where(s < 1, 1 - s, 0.0)
    elif kind == 1:
        shape = np.sin(np.pi * s)
    elif kind == 2:
        shape = np.sin(np.pi * s) ** 2
    elif kind == 3:
        shape = np.sin(np.pi * s) * (1 + 0.5 * np.cos(6 * np.pi * s)) / 1.3
    else:
        second = rng.uniform(0.08, 0.12)
        shape = np.where(s < 1, 0.6 * (1 - s), 0.0) + np.where(
            (t > second) & (t < second + 0.06), 0.8, 0.0
        )
    return np.where(t >= 0, peak * shape, 0.0)


def turning(t: np.ndarray, rng: np.random.Generator, size: float) -> np.ndarray:
    """An angle (n,) that sets in with contact and dies away."""
    after = np.maximum(t, 0.0)
    w, decay = rng.uniform(8, 20), rng.uniform(2, 8)
    return np.asarray(
        size * rng.normal() * (1 - np.cos(w * after) * np.exp(-decay * after)) * after / 0.1
    )


def motion(
    t: np.ndarray, ax: np.ndarray, start: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """States (n, 15) of a vehicle that is at `start` (x, y, z, yaw, vx, vy) at time zero."""
    out = np.zeros((len(t), 15))
    ay = 0.05 * ax * rng.normal()
    zero = int(np.argmin(np.abs(t)))
    for k, a in enumerate((ax, ay)):
        v = cumulative_trapezoid(a, t, initial=0.0)
        v += start[4 + k] - v[zero]
        x = cumulative_trapezoid(v, t, initial=0.0)
        out[:, k], out[:, 6 + k], out[:, 12 + k] = x + start[k] - x[zero], v, a
    for k, size in ((2, 0.02), (3, 0.01), (4, 0.02), (5, 0.015)):
        angle = turning(t, rng, size)
        out[:, k] = angle + (start[2] if k == 2 else start[3] if k == 5 else 0.0)
        out[:, 6 + k] = np.gradient(angle, t)
        if k == 2:
            out[:, 14] = np.gradient(out[:, 8], t)
    return out


def errors(kind: str, shape: tuple[int, ...], rng: np.random.Generator) -> np.ndarray:
    """Errors of marks (frames, marks, 2) in units of the sd that they state."""
    white = rng.standard_normal(shape)

    def process(c: float) -> np.ndarray:
        noise = rng.standard_normal(shape)
        for k in range(1, shape[0]):
            noise[k] = c * noise[k - 1] + np.sqrt(1 - c * c) * noise[k]
        return noise

    if kind == "correlated":
        return process(0.8)
    if kind == "drift":
        own = rng.uniform(1.2, 2.2, (1, shape[1], 1))
        return own * (np.sqrt(0.5) * process(0.5) + 0.5 * white + 0.5 * process(0.98))
    return white


def seen_by(
    camera: Camera,
    marks: dict[str, tuple[str, ...]],
    places: dict[str, dict[str, np.ndarray]],
    states: dict[str, np.ndarray],
    t: np.ndarray,
    kind: str,
    rng: np.random.Generator,
) -> CameraEvidence:
    """What a camera in error by as much as it may be sees of both vehicles."""
    true = camera.with_change(CAMERA_U * rng.standard_normal(15))
    sigma = rng.uniform(0.015, 0.06)
    parts = [
        case.evidence(true, t, states[v], names, 0.0, 0, v, places[v], cg)  # type: ignore[arg-type]
        for (v, names), cg in zip(marks.items(), (case.CG, TRUCK_CG), strict=True)
    ]
    position = np.concatenate([p.position for p in parts], axis=1)
    measured = rng.random(position.shape[:2]) > 0.03
    position = position + sigma * errors(kind, position.shape, rng)
    if kind == "weave":
        position = position + 0.1 * rng.standard_normal((len(t), 1, 2))
    rate = rng.normal(0, RATE_U)
    return CameraEvidence(
        camera=replace(camera, covariance=np.diag(CAMERA_U**2)),
        seconds=(t - rng.normal(0, ZERO_U)) / (1 + rate),
        zero_u=ZERO_U,
        rate_u=RATE_U,
        stabilisation=None,
        marks=tuple(m for p in parts for m in p.marks),
        position=position,
        covariance=np.tile(np.eye(2) * sigma**2, (*position.shape[:2], 1, 1)),
        measured_mask=measured,
    )


def solved(
    kind: str, seed: int
) -> tuple[Solution, dict[str, np.ndarray], np.ndarray, Callable[[np.ndarray], np.ndarray]]:
    """A solved test, the true states of both vehicles at times, these times, and the car's true
    states as a function of time.
    """
    rng = np.random.default_rng([seed, len(kind)])
    rate = float(rng.choice([500.0, 1000.0]))
    t = np.arange(-0.06, 0.24, 1 / rate) + rng.uniform(-0.5, 0.5) / rate
    fine = np.arange(-0.08, 0.26, 2e-5)
    ax = -pulse(fine, rng)
    heading = rng.normal(0, 0.03)
    speed = rng.uniform(8, 30)
    car = np.array([-1.5, rng.normal(0, 0.1), case.CG[2], heading, speed, speed * np.sin(heading)])
    truck = np.array([3.0, rng.normal(0, 0.05), TRUCK_CG[2], 0.0, 0.0, 0.0])
    whole = {"car": motion(fine, ax, car, rng), "truck": motion(fine, -0.12 * ax, truck, rng)}
    states = {
        v: np.stack([np.interp(t, fine, s[:, c]) for c in range(15)], axis=1)
        for v, s in whole.items()
    }
    surveyed = {"car": case.MARKERS, "truck": TRUCK}
    places = {
        v: {m: np.array(at) + rng.normal(0, MARKER_U, 3) for m, at in own.items()}
        for v, own in surveyed.items()
    }
    over = case.camera_at((rng.normal(0.5, 0.3), rng.normal(0, 0.3), -13), (0.5, 0, 0), (1, 0, 0))
    side = case.camera_at((rng.normal(0, 0.5), -14, rng.normal(-1.5, 0.2)), (0.5, 0, -0.8))
    cameras = {
        "overhead": seen_by(over, TOP, places, states, t, kind, rng),
        "side": seen_by(side, LEFT, places, states, t, kind, rng),
    }
    solution = solve(
        cameras,
        {
            "car": VehicleGeometry(case.CG, case.MARKERS, MARKER_U),
            "truck": VehicleGeometry(TRUCK_CG, TRUCK, MARKER_U, role="struck"),  # type: ignore[arg-type]
        },
    )
    return (
        solution,
        states,
        t,
        lambda times: np.stack([np.interp(times, fine, c) for c in whole["car"].T], axis=1),
    )


def figures(
    solution: Solution,
    states: dict[str, np.ndarray],
    t: np.ndarray,
    car_at: Callable[[np.ndarray], np.ndarray],
) -> dict[str, float]:
    """Errors of the headline numbers in units of their u."""
    draws = solution.draws(200, 1)

    def drawn(v: str, true: bool) -> PosteriorSamples:
        if true:
            return PosteriorSamples(t, states[v], states[v][None])
        return PosteriorSamples(t, solution.motion(v, t).state, draws.states(v, t))

    both = {}
    for true in (False, True):
        car, truck = drawn("car", true), drawn("truck", true)
        pairs: dict[str, Quantity | None] = {"impact speed": headline.impact_speed(car)}
        for angle in ("pitch", "yaw"):
            mean = drawn("car", False).state[:, STATE.index(f"{angle}_rad")]
            sign = 1 if mean.max() > -mean.min() else -1
            pairs[f"largest {angle}"] = car.extreme(f"{angle}_rad", sign, "rad")
        pairs["roll-ahead"] = headline.travel(truck, "x_m")
        crush = headline.crush(car, truck)
        pairs["crush"] = None if crush is None else crush.max_dynamic
        both[true] = pairs
    z = {
        name: (q.value - both[True][name].value) / q.u  # type: ignore[union-attr]
        for name, q in both[False].items()
        if q is not None
    }
    film, times = film_occupant(solution, draws, "car", FLAIL), occupant_times(solution, "car")
    if film is None:
        return z
    ax, ay, _, _ = film_acceleration(car_at(times)[None])
    oiv, _, when, _ = flail(times, ax, ay, FLAIL)
    truth = {"oiv_x": oiv[0], "ridedown_x": ridedown(times, ax, when)[0][0]}
    for name, value in truth.items():
        q = getattr(film, name)
        if q is not None and np.isfinite(value):
            z[name] = (q.value - value) / q.u
    return z


def main(kind: str, count: int, first: int) -> None:
    numbers: dict[str, list[float]] = {}
    columns, took = [], clock.process_time()
    for seed in range(first, first + count):
        solution, states, t, car_at = solved(kind, seed)
        for name, z in figures(solution, states, t, car_at).items():
            numbers.setdefault(name, []).append(z)
        span = (t >= -0.05) & (t <= 0.2)
        for vehicle in ("car", "truck"):
            m = solution.motion(vehicle, t[span])
            columns.append(np.stack([m.state - states[vehicle][span], m.u]))
        off = {k: round(v[-1], 1) for k, v in numbers.items() if abs(v[-1]) > 3}
        if off:
            print(f"   test {seed}: {off}")
    print(f"{kind}: {count} tests, {(clock.process_time() - took) / count:.1f} s each")
    for name, z in numbers.items():
        held = np.mean(np.abs(z) < 1.96)
        print(f"  {name:16s} {len(z):4d} tests: held {100 * held:5.1f} %, sd {np.std(z):.2f}")
    for c, name in enumerate(STATE):
        z = np.concatenate([e[0, :, c] / e[1, :, c] for e in columns])
        print(f"  {name:18s} held {100 * np.mean(np.abs(z) < 1.96):5.1f} %, sd {np.std(z):.2f}")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 0)
