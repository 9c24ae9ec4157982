"""How long a report and the marked films take, and how full the report's pages are.

Run by hand: python tests/bench/report.py FOLDER. FOLDER holds an analysed test, as `impactfilm
demo` leaves it; nothing in it is changed. Each part runs in a process of its own, as a command
would, and its wall time and the processor time of all threads are printed. A page's blank share
is the height of its largest empty band over that of the page (needs pdftoppm).
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

PARTS = {
    "import and read": "",
    "report without marked films": "write_reports(results, out, out, quiet, films=False)",
    "marked films, nothing else": "mark_films(results, out / 'films', out, quiet)",
    "all that `impactfilm report` writes": "write_results(results, out, unopened=())",
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


def blank_shares(pdf: Path) -> list[float]:
    """Of each page."""
    with tempfile.TemporaryDirectory() as place:
        subprocess.run(["pdftoppm", "-r", "40", "-gray", pdf, f"{place}/page"], check=True)
        pages = [cv2.imread(str(p), 0) for p in sorted(Path(place).glob("page*"))]
    shares = []
    for page in pages:
        inked = np.flatnonzero((page < 200).any(axis=1))
        shares.append(float(np.diff(inked, prepend=0, append=len(page)).max()) / len(page))
    return shares


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
    pages = blank_shares(folder / "report.pdf")
    print(f"{len(pages)} pages, blank share " + " ".join(f"{100 * p:.0f} %" for p in pages))
    alone = found["marked films, nothing else"] - found["import and read"]
    rate, each = frames / alone[0], 1e3 * alone[1] / frames
    print(f"marked films: {rate:.0f} frames/s, {each:.1f} ms of processor a frame")


if __name__ == "__main__":
    main()
