"""The demonstration beside its truth: tracks, motion, headline numbers. Run it on a folder that
`impactfilm demo --out FOLDER` has written:

    python tests/bench/demo.py FOLDER
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from tracker.cli.progress import truth_rows
from tracker.core.types import STATE
from tracker.demo import load_truth
from tracker.results.folder import read_results

FIRST, LAST = -0.05, 0.20  # s, the span over which the motion is compared


def main(folder: Path) -> None:
    results, truth = read_results(folder / "results"), load_truth(folder)
    squares = []
    for camera, tracks in results.tracks.items():
        names, true, _ = truth.tracks(camera)
        order = [names.index(mark) for mark in tracks.marks]
        error = np.where(tracks.measured_mask[..., None], tracks.position - true[:, order], np.nan)
        squares.append(error[np.isfinite(error)] ** 2)
        print(f"{camera}: track rms {np.sqrt(np.nanmean(error**2)):.4f} px an axis, ", end="")
        print(f"largest error {np.nanmax(np.abs(error)):.2f} px")
    print(f"all: track rms {np.sqrt(np.concatenate(squares).mean()):.4f} px an axis")
    for vehicle, motion in results.motion.items():
        time, state = truth.motion(vehicle)
        span = (motion.time >= FIRST) & (motion.time <= LAST)
        spoken = f"{FIRST * 1e3:.0f} to {LAST * 1e3:.0f} ms"
        print(f"{vehicle}, {spoken}: rms error, largest u, share of 95 % intervals that hold")
        for c, name in enumerate(STATE):
            true = np.interp(motion.time[span], time, state[:, c])
            off = motion.state[span, c] - true
            held = np.mean(np.abs(off) <= 1.96 * motion.u[span, c])
            rms, largest = np.sqrt(np.mean(off**2)), motion.u[span, c].max()
            print(f"  {name:<18}{rms:10.5f}{largest:10.5f}{held:8.2f}")
    for label, film, accelerometer, true in truth_rows(results, truth.headline):
        parts = [f"{label:<22} truth {true:10.5f}"]
        for source, number in (("film", film), ("accelerometer", accelerometer)):
            if number is not None:
                z = (number.value - true) / number.u
                parts.append(f"{source} {number.value:10.5f} u {number.u:.5f} ({z:+.1f} u)")
        print("  ".join(parts))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
