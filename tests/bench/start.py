"""How soon `impactfilm analyse` has decoded its first frame, and shows its first numbers.

    python tests/bench/start.py RECORD [TIMES] [PACKAGES]

Starts the command TIMES (5) times in a process of its own, the code of the folder PACKAGES (this
one), and prints the seconds from the start of each process to the first frame decoded, to the
motions solved and to the end, by the clock and in its processor time (the figure that a busy
machine leaves alone).
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

RUN = """
import sys, time
began = float(sys.argv.pop(1))
import tracker.film.movie as movie
first = movie._first_frame
def timed(source):
    frame = first(source)
    print("first frame", time.time() - began, time.process_time(), file=sys.stderr, flush=True)
    return frame
movie._first_frame = timed
def watch():
    import tracker.motion.solve, tracker.pipeline.analyse as road
    solve = road.solve
    def solved(*args, **names):
        solution = solve(*args, **names)
        print("solved", time.time() - began, time.process_time(), file=sys.stderr, flush=True)
        return solution
    for function in (road.analyse,):
        function.__defaults__ = tuple(solved if d is solve else d for d in function.__defaults__)
class Late:
    def find_spec(self, name, path, target=None):
        if name == "tracker.cli.progress":
            sys.meta_path.remove(self)
            watch()
        return None
sys.meta_path.insert(0, Late())
from tracker.cli.main import main
main()
"""


def main() -> None:
    record = Path(sys.argv[1]).resolve()
    times = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    packages = Path(sys.argv[3] if len(sys.argv) > 3 else Path(__file__).parents[2]).resolve()
    print("| clock: first frame, s | solved | end | processor: first frame, s | solved | end |")
    print("| --- | --- | --- | --- | --- | --- |")
    for _ in range(times):
        with tempfile.TemporaryDirectory() as out:
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            began = time.time()
            command = [sys.executable, "-c", RUN, str(began), "analyse", str(record)]
            done = subprocess.run(
                [*command, "--out", f"{out}/results"],
                env={**os.environ, "PYTHONPATH": str(packages)},
                cwd=packages,
                capture_output=True,
                text=True,
                check=True,
            )
            end = time.time() - began
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        at = {}
        for line in done.stderr.splitlines():
            name, *seconds = line.rsplit(" ", 2)
            if name in ("first frame", "solved"):
                at.setdefault(name, [float(each) for each in seconds])
        (first, first_cpu), (solved, solved_cpu) = at["first frame"], at["solved"]
        print(
            f"| {first:.2f} | {solved:.2f} | {end:.1f} "
            f"| {first_cpu:.2f} | {solved_cpu:.2f} | {spent:.1f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
