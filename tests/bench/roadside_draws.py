"""A demonstration over many seeds, drawn and analysed whole:

    python tests/bench/roadside_draws.py FOLDER [COUNT] [FIRST_SEED] [barrier|pole|cushion]

Each seed's test is written into FOLDER/<seed>. Prints each figure's error over its u by seed,
then over all seeds: root mean square error, mean and sd of error over u, and how many of the 95 %
intervals held.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from tracker import analyse, load_record
from tracker.cli.progress import truth_rows
from tracker.demo import write_demo, write_pole, write_roadside


def main(folder: Path, count: int, first: int, scenario: str) -> None:
    write = {"barrier": write_roadside, "pole": write_pole, "cushion": write_demo}[scenario]
    errors: dict[str, list[tuple[float, float]]] = {}
    for seed in range(first, first + count):
        truth = write(folder / str(seed), seed=seed)
        results = analyse(load_record(folder / str(seed)))
        line = []
        for label, film, _, true in truth_rows(results, truth.headline):
            if film is None or isinstance(film, float):
                continue
            errors.setdefault(label, []).append((film.value - true, film.u))
            if abs(film.value - true) > 2 * film.u:
                line.append(f"{label} {(film.value - true) / film.u:+.1f} u")
        print(f"seed {seed}: {', '.join(line) or 'all within 2 u'}", flush=True)
    for label, found in errors.items():
        off, u = np.array(found).T
        z = off / u
        held = int(np.sum(np.abs(z) < 1.96))
        print(
            f"{label:40s} rms error {np.sqrt(np.mean(off**2)):.6f}  u {np.median(u):.6f}  "
            f"error/u mean {z.mean():+5.2f} sd {z.std():4.2f}  held {held} of {len(z)}"
        )


if __name__ == "__main__":
    asked = [*sys.argv[1:], *("10", "30", "barrier")[len(sys.argv) - 2 :]]
    main(Path(asked[0]), int(asked[1]), int(asked[2]), asked[3])
