"""Whether the intervals of whole analyses hold the truth: films rendered with everything varied.

    python tests/bench/films_coverage.py COUNT [FIRST]

Each test is drawn at random (its number is the seed): speed, angle, offset, masses, brakes and
stiffness; frame rate, exposure, sharpness, noise, compression, film weave, swinging cameras, film
whose speed drifts under a timing light, marks, surveys, picks. Films are rendered, compressed and
analysed with nothing stated beyond their record. Prints what became of each test and, over
all, the share of 95 % intervals that hold the truth: columns from -50 to +200 ms, headline numbers.
"""

from __future__ import annotations

import sys
import tempfile
import time as clock
from pathlib import Path

import numpy as np

from calibration.errors import Problem
from tracker.cli.progress import truth_rows
from tracker.core.types import STATE, Motion
from tracker.demo import DemoTruth, Scenario, load_truth, write_demo
from tracker.outcome.headline import PosteriorSamples, crush, velocity_changes
from tracker.pipeline.analyse import analyse
from tracker.record.load import load_record

FIRST, LAST = -0.05, 0.20  # s
RATES, SIZE = (500.0, 1000.0), (800, 640)


def drawn(seed: int) -> Scenario:
    """One test of all."""
    rng = np.random.default_rng([seed, 77])
    drifts = rng.random() < 0.25
    return Scenario(
        seed=1000 + seed,
        speed=rng.uniform(14.0, 30.0),
        angle=np.radians(rng.uniform(-4.0, 4.0)),
        offset=rng.uniform(-0.25, 0.25),
        car_mass=rng.uniform(900.0, 1800.0),
        truck_mass=rng.uniform(6000.0, 11000.0),
        brake=rng.uniform(0.1, 0.6),
        stiffness=rng.uniform(0.8, 1.3),
        size=SIZE,
        frame_rate=float(rng.choice(RATES)),
        exposure=rng.uniform(0.05e-3, 0.5e-3),
        before=0.06,
        after=0.22,
        mark_scale=rng.uniform(0.9, 1.5),
        read_noise=rng.uniform(1.0, 4.0),
        shot_noise=rng.uniform(0.05, 0.25),
        psf=rng.uniform(0.55, 1.1),
        weave=float(rng.choice([0.0, 0.0, 0.3, 1.0])),
        shake=float(rng.choice([0.0, 0.0, 1.5])),
        drift=0.03 if drifts else 0.0,
        timing_light=100.0 if drifts else 0.0,
        dust=bool(rng.random() < 0.7),
        lens_in_record=bool(rng.random() < 0.8),
        ground_u=2e-3,
        marker_u=1e-3,
        crf=int(rng.integers(14, 24)),
    )


def held(scenario: Scenario) -> tuple[dict[str, list[float]], dict[str, list[float]]]:
    """Render and analyse it: shares of each column held, and errors over u of the headlines."""
    columns: dict[str, list[float]] = {}
    headline: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        write_demo(Path(folder), scenario=scenario)
        results, truth = (
            analyse(load_record(Path(folder) / "record.toml")),
            load_truth(Path(folder)),
        )
        for vehicle, motion in results.motion.items():
            time, state = truth.motion(vehicle)
            span = (motion.time >= FIRST) & (motion.time <= LAST)
            for c, name in enumerate(STATE):
                seen = motion.observed_mask[span, c]
                if seen.any():
                    off = motion.state[span, c] - np.interp(motion.time[span], time, state[:, c])
                    inside = np.abs(off) <= 1.96 * motion.u[span, c]
                    columns[f"{vehicle} {name}"] = [float(np.mean(inside[seen]))]
        same = same_span(results.motion, truth)
        for label, film, _, true in truth_rows(results, truth.headline):
            if film is not None:
                headline[label] = [(film.value - same.get(label, true)) / film.u]
    return columns, headline


def same_span(motions: dict[str, Motion], truth: DemoTruth) -> dict[str, float]:
    """True travel to the last time that the results have, and true change of velocity until contact
    ends by the results' own rule; `truth` holds both of the whole test.
    """
    first = max(float(m.time[m.observed_mask[:, 0]][0]) for m in motions.values())
    last = {name: float(m.time[m.observed_mask[:, 0]][-1]) for name, m in motions.items()}
    time = np.append(np.arange(first, 0.0, 1e-4), np.arange(0.0, min(last.values()), 1e-4))
    true = {name: truth.motion(name) for name in motions}
    drawn = {}
    for name, (at, state) in true.items():
        whole = np.stack([np.interp(time, at, column) for column in state.T], axis=1)
        drawn[name] = PosteriorSamples(time, whole, np.stack([whole, whole]))
    closing = crush(drawn["car"], drawn["truck"])
    out = {}
    for name, (at, state) in true.items():
        for axis, column in (("x", 0), ("y", 1)):
            start, end = np.interp([0.0, last[name]], at, state[:, column])
            out[f"{name}: travel {axis}"] = float(end - start)
        change = velocity_changes(drawn[name], closing.contact).along
        out[f"{name}: velocity change"] = change.value
    return out


def main(count: int, first: int) -> None:
    columns: dict[str, list[float]] = {}
    headline: dict[str, list[float]] = {}
    for seed in range(first, first + count):
        start, scenario = clock.perf_counter(), drawn(seed)
        try:
            some, numbers = held(scenario)
        except Problem as problem:
            print(f"{seed}: refused: {problem.what}", flush=True)
            continue
        for whole, part in ((columns, some), (headline, numbers)):
            for name, values in part.items():
                whole.setdefault(name, []).extend(values)
        far = {name: z[0] for name, z in numbers.items() if abs(z[0]) > 2.5}
        low = {name: share[0] for name, share in some.items() if share[0] < 0.6}
        print(
            f"{seed}: {clock.perf_counter() - start:.0f} s, weave {scenario.weave}, drift "
            f"{scenario.drift}; columns {np.mean([v[0] for v in some.values()]):.2f}",
            *(f"{name} {z:+.1f} u" for name, z in far.items()),
            *(f"{name} {share:.2f}" for name, share in low.items()),
            sep="; ",
            flush=True,
        )
    print(f"\n{'column':<28}{'held':>6}  worst test")
    for name, shares in columns.items():
        print(f"{name:<28}{np.mean(shares):6.2f}{min(shares):6.2f}")
    print(f"\n{'number':<28}{'held':>6}{'rms error/u':>13}{'tests':>7}")
    for name, z in headline.items():
        inside = np.mean(np.abs(z) < 1.96)
        print(f"{name:<28}{inside:6.2f}{np.sqrt(np.mean(np.square(z))):13.2f}{len(z):7d}")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 0)
