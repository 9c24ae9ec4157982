"""How long a report and the marked films take.

Run by hand: python tests/bench/report.py FOLDER. FOLDER holds an analysed test, as `impactfilm
demo` leaves it; nothing in it is changed. Each part runs in a process of its own, as a command
would, and its wall time and the processor time of all threads are printed.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

PARTS = {
    "import and read": "",
    "report without marked films": "write_reports(results, out, out, quiet, films=False)",
    "marked films, nothing else": "mark_films(results, out / 'films', out, quiet)",
    "all that `impactfilm report` writes": "write_results(results, out)",
}
BEGIN = """
import sys
from pathlib import Path
from tracker.report import write_reports
from tracker.report.films import mark_films
from tracker.pipeline.write_results import write_results
from tracker.results.folder import read_results
quiet = lambda *_: None
results, out = read_results(Path(sys.argv[1])), Path(sys.argv[2])
"""


def timed(code: str, results: Path, out: Path) -> tuple[float, float]:
    """Wall time and processor time, s."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", BEGIN + code, results, out], check=True)
    wall = time.perf_counter() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    from tracker.film import open_film
    from tracker.results.folder import read_results

    folder = Path(sys.argv[1]) / "results"
    results = read_results(folder)
    films = [open_film(view.film, frame_rate=view.frame_rate) for view in results.views.values()]
    frames = sum(film.frames for film in films)
    print(f"{len(films)} films, {frames} frames of {films[0].size[0]} x {films[0].size[1]}")
    found = {}
    for name, code in PARTS.items():
        with tempfile.TemporaryDirectory() as place:
            out = Path(place) / "out"
            out.mkdir()
            found[name] = np.array(timed(code, folder, out))
        print(f"{name:<36} {found[name][0]:6.1f} s wall  {found[name][1]:6.1f} s processor")
    alone = found["marked films, nothing else"] - found["import and read"]
    rate, each = frames / alone[0], 1e3 * alone[1] / frames
    print(f"marked films: {rate:.0f} frames/s, {each:.1f} ms of processor a frame")


if __name__ == "__main__":
    main()
