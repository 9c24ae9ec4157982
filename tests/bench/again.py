"""How long a person waits for new numbers after one change.

    python tests/bench/again.py RECORD CAMERA MARK FIRST LAST [RUNS]

Analyses a copy of the test as the workbench does, rules one mark out in some frames, analyses again
and prints, for each of RUNS (1) changes: seconds from the key to the new headline numbers, by the
clock and of the processor in all processes, with a process that stands by and without.
"""

from __future__ import annotations

import os
import resource
import shutil
import sys
import tempfile
import time
from pathlib import Path


def waited(standby: object, record: Path) -> tuple[float, float, float]:
    """Seconds to the first numbers by the clock; to the end by the clock and of the processor."""
    from tracker.workbench.current_analysis import CurrentAnalysis

    came: list[float] = []

    def changed() -> None:
        if running.state.get("headline") and not came:
            came.append(time.perf_counter() - begun)

    running = CurrentAnalysis(record, record.parent / "results", changed, standby)  # type: ignore[arg-type]
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.perf_counter()
    running.start()
    while running.state["state"] == "running":
        time.sleep(0.01)
    end = time.perf_counter() - begun
    if running.state["state"] != "done":
        raise SystemExit(str(running.state))
    now = resource.getrusage(resource.RUSAGE_CHILDREN)
    return came[0], end, now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime


def main() -> None:
    """Run the bench."""
    source, camera, mark, first, last, *more = sys.argv[1:]
    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_CACHE_HOME"] = folder
        from tracker.workbench.standby import Standby

        test = Path(folder) / "test"
        shutil.copytree(Path(source).parent, test, ignore=shutil.ignore_patterns("results"))
        record, text = test / "record.toml", Path(source).read_text()
        cold = Standby()
        print("first", *(f"{s:.2f}" for s in waited(cold, record)))
        warm = Standby()
        for run in range(int(more[0]) if more else 1):
            for name, standby in (("without", cold), ("standing by", warm)):
                warm.keep_one()
                time.sleep(5.0)
                end = int(last) + 2 * run + (name == "without")
                record.write_text(
                    f'{text}\n[[cameras.{camera}.ruled_out]]\nmark = "{mark}"\n'
                    f"first = {first}\nlast = {end}\n"
                )
                print(name, *(f"{s:.2f}" for s in waited(standby, record)), flush=True)
        warm.close()


if __name__ == "__main__":
    main()
