"""Measures the joint solution of rigid motion: python tests/bench/body.py [step|coverage|time].

step      velocity round an impact (14 m/s, 200 m/s^2 dying out over 90 ms, 1000 frames/s, 1 mm), by
          ours, by scipy's smoothing spline with cross-validation (time in frames) and by
          Savitzky-Golay with the window that is best with the truth in hand.
coverage  95 % intervals against truth, everything varied within its stated uncertainty: cameras,
          clocks, markers, marks; white, correlated (0.8) and common (weave) errors.
time      3 cameras, 500 frames, 30 marks.
"""

import sys
import time as clock
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.interpolate import make_smoothing_spline
from scipy.signal import savgol_filter

# in the place of this folder, whose files are named as packages are
sys.path.insert(0, str(Path(sys.path.pop(0)).parent / "tracker"))

import body_case as case

from tracker.body import CameraEvidence, Solution, VehicleGeometry, solve

CAMERA_U = np.array([3e-4] * 3 + [4e-3] * 3 + [2.0] * 4 + [3e-3, 3e-3, 2e-4, 2e-4, 1e-3])
ZERO_U = 2e-4


def zones(t: np.ndarray) -> dict[str, np.ndarray]:
    return {
        "-90..-15 ms": (t > -0.09) & (t < -0.015),
        "-10..+10 ms": np.abs(t) < 0.01,
        "+10..+80 ms": (t > 0.01) & (t < 0.08),
    }


def step(tests: int = 10) -> None:
    t, dt, sigma = np.arange(-0.1, 0.15, 1e-3), 1e-3, 1e-3
    truth = np.zeros((len(t), 15))
    truth[:, [0, 6, 12]] = case.crash(t)[:, [0, 6, 12]]
    truth[:, 0] += 1.0
    side = case.camera_at((0, -12, 0), (0, 0, 0), focal=1500.0)
    side = replace(side, lens=replace(side.lens, distortion=np.zeros(5)))
    plane = (np.nan, 1e-3, np.nan)
    dot = VehicleGeometry((0, 0, 0), {"c": (0, 0, 0)}, 1e-4, near=(0, 0, 0), near_u=plane)
    off: dict[str, list[np.ndarray]] = {}
    inside: dict[str, list[np.ndarray]] = {}
    for seed in range(tests):
        seen = case.evidence(
            side, t, truth, ("c",), 0.125, seed, markers={"c": (0, 0, 0)}, cg=(0, 0, 0)
        )
        x = (639.5 - seen.position[:, 0, 0]) * 8e-3  # the camera looks along y: x runs to its left
        spline = make_smoothing_spline(t / dt, x / sigma).derivative()(t / dt) * sigma / dt
        off.setdefault("smoothing spline (GCV)", []).append(spline - truth[:, 6])
        for window in range(11, 62, 10):
            v = savgol_filter(x, window, 3, deriv=1, delta=dt)
            off.setdefault(f"Savitzky-Golay {window}", []).append(v - truth[:, 6])
        for name, contact in (("ours", 0.0), ("ours, contact unknown", None)):
            solution = solve({"side": seen}, {"car": dot}, contact=contact)
            motion = solution.motion("car", t + solution.clocks["side"][0])
            away = motion.state[:, 6] - truth[:, 6]
            off.setdefault(name, []).append(away)
            inside.setdefault(name, []).append(np.abs(away) < 1.96 * motion.u[:, 6])
    for name, e in off.items():
        row = [f"{np.sqrt(np.mean(np.square(e)[:, z])):.3f}" for z in zones(t).values()]
        held = (
            [f"{np.mean(np.array(inside[name])[:, z]):.2f}" for z in zones(t).values()]
            if (name in inside)
            else []
        )
        print(f"{name:26s} RMS {' '.join(row)} m/s", "coverage " + " ".join(held) if held else "")


def drawn_test(t: np.ndarray, seed: int, correlated: float = 0.0, weave: float = 0.0) -> Solution:
    """A solved test in which everything is off by as much as it is said to be uncertain."""
    rng = np.random.default_rng(seed)
    markers = {m: tuple(np.array(p) + rng.normal(0, 1e-3, 3)) for m, p in case.MARKERS.items()}
    cameras: dict[str, CameraEvidence] = {}
    for name, camera, marks in (
        ("overhead", case.OVERHEAD, case.TOP),
        ("side", case.SIDE, case.LEFT),
    ):
        true = camera.moved(CAMERA_U * rng.standard_normal(15))
        seen = case.evidence(true, t, case.crash(t), marks, markers=markers)
        noise = rng.standard_normal(seen.position.shape)
        for k in range(1, len(t)):
            noise[k] = correlated * noise[k - 1] + np.sqrt(1 - correlated**2) * noise[k]
        shift = weave * rng.standard_normal((len(t), 1, 2))
        cameras[name] = replace(
            seen,
            camera=replace(camera, covariance=np.diag(CAMERA_U**2)),
            seconds=t - rng.normal(0, ZERO_U),
            zero_u=ZERO_U,
            position=seen.position + 0.03 * noise + shift,
            covariance=np.tile(np.eye(2) * 0.03**2, (*seen.measured.shape, 1, 1)),
        )
    return solve(cameras, {"car": case.car()})


def coverage(tests: int = 40) -> None:
    t = np.arange(-0.05, 0.2, 2e-3)
    truth = case.crash(t)
    for name, kind in (
        ("white", {}),
        ("correlated 0.8", {"correlated": 0.8}),
        ("weave 0.1 px", {"weave": 0.1}),
    ):
        z = []
        for seed in range(tests):
            motion = drawn_test(t, seed, **kind).motion("car", t)
            z.append((motion.state - truth) / motion.u)
        held = np.abs(np.array(z)) < 1.96
        blocks = [f"{held[:, :, k : k + 3].mean():.3f}" for k in range(0, 15, 3)]
        print(f"{name:16s} place, attitude, velocity, rates, acceleration:", " ".join(blocks))


def time_it() -> None:
    t = np.arange(-0.1, 0.4, 1e-3)
    rng = np.random.default_rng(0)
    markers = {f"m{k}": tuple(rng.uniform((-2, -0.9, -1.4), (2, 0.9, -0.3))) for k in range(30)}
    other = case.camera_at((-8.0, -8.0, -4.0), (-1.0, 0.0, -0.8), focal=1400.0)
    cameras = {
        name: case.evidence(camera, t, case.crash(t), tuple(markers), 0.03, k, markers=markers)
        for k, (name, camera) in enumerate(
            [("overhead", case.OVERHEAD), ("side", case.SIDE), ("oblique", other)]
        )
    }
    cameras = {
        n: replace(e, camera=replace(e.camera, covariance=np.diag(CAMERA_U**2)), zero_u=ZERO_U)
        for n, e in cameras.items()
    }
    begin, cpu = clock.perf_counter(), clock.process_time()
    solution = solve(cameras, {"car": case.car(markers)})
    print(
        f"{solution.setup.count} unknowns: {clock.perf_counter() - begin:.1f} s,"
        f" processor {clock.process_time() - cpu:.1f} s"
    )


if __name__ == "__main__":
    for what in sys.argv[1:] or ["step", "coverage", "time"]:
        {"step": step, "coverage": coverage, "time": time_it}[what]()
