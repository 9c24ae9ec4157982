"""Measures the joint solution of rigid motion: python tests/bench/body.py WHAT

WHAT is one of

step        velocity round an impact (14 m/s, 200 m/s^2 dying out over 90 ms, 1000 frames/s, 1 mm),
            by ours, by scipy's smoothing spline with cross-validation (time in frames) and by
            Savitzky-Golay with the window that is best with the truth in hand.
efficiency  the same methods on motions of white jerk that sets in with a step at contact, beside
            the posterior of the model that they were drawn from.
offset      the offset of a camera whose time zero is not known, beside its bound.
time        3 cameras, 500 frames, 30 marks.
momentum    of both vehicles of an analysed demonstration: `body.py momentum FOLDER`.

Coverage is measured by body_coverage.py.
"""

import resource
import sys
import time as clock
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.interpolate import make_smoothing_spline
from scipy.signal import savgol_filter

from tests.support import motion_case as case
from tracker.demo import load_truth
from tracker.motion import VehicleGeometry, solve
from tracker.results.folder import read_results

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
            motion = solution.motion("car", t + solution.clocks["side"].offset)
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


def efficiency(tests: int = 20) -> None:
    t, dt, sigma, rough = np.arange(-0.1, 0.15, 1e-3), 1e-3, 1e-3, 1e5
    fine = np.arange(0.0, 0.15, 5e-4)
    side = case.camera_at((0, -12, 0), (0, 0, 0), focal=1500.0)
    side = replace(side, lens=replace(side.lens, distortion=np.zeros(5)))
    dot = VehicleGeometry(
        (0, 0, 0), {"c": (0, 0, 0)}, 1e-6, near=(0, 0, 0), near_u=(np.nan, 1e-5, 1)
    )
    after = np.maximum(t, 0.0)
    since = np.maximum(t[:, None] - fine, 0.0)
    # columns: place, speed, acceleration before; step of acceleration; increments of it
    sd = np.r_[10.0, 50.0, 3.0, 300.0, np.full(len(fine), np.sqrt(rough * 5e-4))]
    one, zero = np.ones_like(t), np.zeros_like(t)
    x = np.column_stack([one, t, t**2 / 2, after**2 / 2, since**2 / 2]) * sd
    v = np.column_stack([zero, one, t, after, since]) * sd
    a = np.column_stack([zero, zero, one, t > 0, since > 0]) * sd
    left = np.linalg.inv(np.eye(len(sd)) + x.T @ x / sigma**2)
    bound = np.sqrt(np.einsum("ni,ij,nj->n", v, left, v))
    off: dict[str, list[np.ndarray]] = {}
    inside = []
    for seed in range(tests):
        rng = np.random.default_rng(seed)
        unit = rng.standard_normal(len(sd))
        unit[:3] = [-0.5 / 10.0, 12.0 / 50.0, 0.1 * unit[2]]
        truth = np.zeros((len(t), 15))
        truth[:, 0], truth[:, 6], truth[:, 12] = x @ unit, v @ unit, a @ unit
        seen = case.evidence(
            side, t, truth, ("c",), 0.125, seed, markers={"c": (0, 0, 0)}, cg=(0, 0, 0)
        )
        place = (639.5 - seen.position[:, 0, 0]) * 8e-3
        curve = make_smoothing_spline(t / dt, place / sigma).derivative()(t / dt) * sigma / dt
        off.setdefault("smoothing spline (GCV)", []).append(curve - truth[:, 6])
        for window in range(11, 62, 10):
            slope = savgol_filter(place, window, 3, deriv=1, delta=dt)
            off.setdefault(f"Savitzky-Golay {window}", []).append(slope - truth[:, 6])
        motion = solve({"side": seen}, {"car": dot}).motion("car", t)
        off.setdefault("ours", []).append(motion.state[:, 6] - truth[:, 6])
        inside.append(np.abs(off["ours"][-1]) < 1.96 * motion.u[:, 6])
    for name, e in off.items():
        row = [
            f"{np.sqrt(np.mean(np.square(e)[:, z])) / np.sqrt(np.mean(bound[z] ** 2)):.2f}"
            for z in [*zones(t).values(), np.abs(t) < 1]
        ]
        print(f"{name:26s} RMS over the true model's: {' '.join(row)} (last: all)")
    print(f"ours holds {100 * np.mean(inside):.1f} %")


def offset(tests: int = 20) -> None:
    """Bound: sd = sigma / sqrt(sum of speed^2), sigma^2 the sum of both cameras' variances of a
    frame's place along x, all else known.
    """
    t = np.arange(-0.05, 0.15, 1e-3)
    truth = case.crash(t)
    errors, us, bounds = [], [], []
    for seed in range(tests):
        cameras = case.both(t, truth, 0.1, seed)
        late = np.random.default_rng(seed).uniform(-0.3, 0.3)
        cameras["side"] = replace(cameras["side"], seconds=t - late, zero_u=np.inf)
        solution = solve(cameras, {"car": case.car()})
        value, u = solution.clocks["side"].offset, solution.clocks["side"].offset_u
        variance = 0.0
        for seen in solution.iterate.linearizations:
            variance += 1 / float(np.mean(np.sum(seen.by_pose[..., 0] ** 2, axis=(1, 2))))
        errors.append(value - late)
        us.append(u)
        bounds.append(np.sqrt(variance / np.sum(truth[:, 6] ** 2)))
    print(
        f"offset: rms {1e6 * np.sqrt(np.mean(np.square(errors))):.1f} us, u {1e6 * np.mean(us):.1f}"
        f" us, bound {1e6 * np.mean(bounds):.1f} us"
    )


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
    solve(case.both(t[::10], case.crash(t[::10])), {"car": case.car()})  # compiles
    begin, cpu = clock.perf_counter(), clock.process_time()
    solution = solve(cameras, {"car": case.car(markers)})
    print(
        f"{solution.setup.count} unknowns: {clock.perf_counter() - begin:.1f} s,"
        f" processor {clock.process_time() - cpu:.1f} s, peak memory"
        f" {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"
    )


def momentum(folder: Path) -> None:
    """Its loss over the first 200 ms is the friction of tyres, here and in truth."""
    results, truth = read_results(folder / "results"), load_truth(folder)
    ours = true = weight = 0.0
    ends = np.array([0.0, 0.2])
    for name, motion in results.motion.items():
        mass = results.vehicles[name].mass or 0.0
        time, state = truth.motion(name)
        ours -= mass * float(np.diff(np.interp(ends, motion.time, motion.state[:, 6]))[0])
        true -= mass * float(np.diff(np.interp(ends, time, state[:, 6]))[0])
        weight += 9.80665 * mass * (name == "truck")
    print(
        f"mean force {ours / 0.2:.0f} N, truth {true / 0.2:.0f} N, of the truck's weight", end=" "
    )
    print(f"{ours / 0.2 / weight:.3f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["momentum"]:
        momentum(Path(sys.argv[2]))
        sys.exit()
    for what in sys.argv[1:] or ["step", "efficiency", "offset", "time"]:
        {"step": step, "efficiency": efficiency, "offset": offset, "time": time_it}[what]()
