"""The whole analysis of a test against one bare read of its films, in one run; and peak memory.

python tests/bench/analysis.py RECORD [RUNS]
"""

from __future__ import annotations

import resource
import statistics
import sys
import time
from pathlib import Path

import cv2

from tracker.pipeline.analyse import analyse
from tracker.record.load import load_record


def bare_read(films: list[str]) -> float:
    """Seconds to read every frame with cv2.VideoCapture."""
    start = time.perf_counter()
    for film in films:
        capture = cv2.VideoCapture(film)
        while capture.read()[0]:
            pass
    return time.perf_counter() - start


def main(path: Path, runs: int) -> None:
    record = load_record(path)
    films = [record.place(camera.film) for camera in record.cameras.values()]
    analyse(record)  # compiled code is loaded
    reads, totals, stages = [], [], {}
    for _ in range(runs):
        reads.append(bare_read(films))
        last = [time.perf_counter()]

        def report_progress(stage: str, done: int, total: int, last: list[float] = last) -> None:
            now = time.perf_counter()
            stages[stage] = stages.get(stage, 0.0) + now - last[0]
            last[0] = now

        start = time.perf_counter()
        analyse(record, report_progress)
        totals.append(time.perf_counter() - start)
    read, total = statistics.median(reads), statistics.median(totals)
    print(f"bare read {read:.2f} s, analysis {total:.2f} s, ratio {total / read:.2f}")
    for stage, seconds in stages.items():
        print(f"  {stage:<20}{seconds / runs:7.2f} s")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 3)
