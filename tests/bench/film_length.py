"""One crash filmed for longer and longer, before and after: what it does to the numbers, and costs.

    python tests/bench/film_length.py [COUNT] [FIRST_SEED] [LENGTH ...]

Tests are those of `tests.support.world_scene`. A row a length: velocity of the car held point by
point from -50 to +200 ms; occupant impact velocity and ridedown: share within 2 u, greatest error
over u, median of u over that of the first length; processor time a test and greatest memory. Each
length runs in a process of its own.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time as clock

import numpy as np

# in the place of this folder, whose files are named as packages are
from tests.bench.world import figures, held, solved
from tests.support.world_scene import world
from tracker.core.types import STATE

NUMBERS = ("car oiv_x", "car ridedown_x")


def measure(length: float, count: int, first: int) -> None:
    """Prints a row's figures: held share, then by number errors over u and u, time, memory."""
    speed, begin = [], clock.process_time()
    errors: dict[str, list[float]] = {n: [] for n in NUMBERS}
    u: dict[str, list[float]] = {n: [] for n in NUMBERS}
    frames = 0
    for seed in range(first, first + count):
        test = world("length", length, seed)
        solution, clocks, _ = solved(test, "length", length)
        found = figures(test, solution, clocks)
        for n in NUMBERS:
            errors[n].append((found[n].value - test.headline[n]) / found[n].u)
            u[n].append(found[n].u)
        t = np.arange(-0.05, 0.2, 2e-3)
        motion, c = solution.motion("car", t), STATE.index("vx_mps")
        speed.append((motion.state[:, c] - test.truth["car"](t)[:, c]) / motion.u[:, c])
        frames += sum(len(film.time) for film in test.films.values())
    took = (clock.process_time() - begin) / count
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    parts = [f"{held(np.concatenate(speed)):.1f}"]
    for n in NUMBERS:
        z = np.abs(errors[n])
        parts += [f"{int(np.sum(z < 2))}", f"{z.max():.1f}", f"{np.median(u[n]):.6g}"]
    print(*parts, f"{took:.1f}", f"{memory:.0f}", f"{frames / count:.0f}")


def main(count: int, first: int, lengths: list[float]) -> None:
    shortest: dict[str, float] = {}
    for length in lengths:
        command = [sys.executable, __file__, "measure", str(length), str(count), str(first)]
        out = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
        line = f"{length:5g} s, {out[-1]} frames: vx held {out[0]} %"
        for k, n in enumerate(NUMBERS):
            within, worst, u = out[1 + 3 * k : 4 + 3 * k]
            ratio = float(u) / shortest.setdefault(n, float(u))
            line += f"; {n} {within} of {count} within 2 u, worst {worst}, u {float(u):.3g} "
            line += f"({ratio:.2f} times)"
        print(f"{line}; {out[-3]} s, {out[-2]} MB a test", flush=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["measure"]:
        measure(float(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
    else:
        asked = [*sys.argv[1:], *("4", "1000")[len(sys.argv) - 1 :]]
        main(int(asked[0]), int(asked[1]), [float(a) for a in asked[2:]] or [0.3, 1.0, 3.0, 10.0])
