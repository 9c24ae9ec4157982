"""What is found of a test's marks without picks: by layout, with less and less known. Run by hand.

    python tests/bench/find.py RECORD

The record's own picks serve as the truth: where its films show each mark in the frame of the pick.
"""

from __future__ import annotations

import sys
import time
from typing import Any

import numpy as np

from tracker.camera.expected_targets import expected_marks
from tracker.camera.lens_source import camera_optics
from tracker.core.types import Mark
from tracker.detection import detect_marks
from tracker.film import open_film
from tracker.record.load import Record, load_record

WRONG_PX = 6.0
"""Distance from the pick, roughly placed itself, from which another thing has been found."""


def tried(record: Record, camera: str, **changes: Any) -> tuple[tuple[Mark, ...], float]:
    """The marks found with these changes of a camera's entry, and the seconds it took."""
    entry = record.cameras[camera].model_copy(update=changes)
    record = record.model_copy(update={"cameras": {**record.cameras, camera: entry}})
    film = open_film(record.place(entry.film), frame_rate=entry.frame_rate, bits=entry.bits)
    lens = camera_optics(record, camera, film.size).lens
    start = time.perf_counter()
    wanted = expected_marks(record, camera, film.size, lens)
    found = detect_marks(record, camera, film, lens, wanted)
    return found.marks, time.perf_counter() - start


def main() -> None:
    record = load_record(sys.argv[1])
    print(f"{'camera':<12}{'without':<32}{'found':>9}{'wrong':>7}{'s':>7}")
    for camera, entry in record.cameras.items():
        truth = {m.name: m for m in tried(record, camera)[0]}
        bare: dict[str, Any] = {
            "picks": {},
            "survey": {
                name: target.model_copy(update={"pixel": None})
                for name, target in entry.survey.items()
                if target.at and target.size and target.pattern != "patch"
            },
        }
        for less, changes in (
            ("picks", bare),
            ("picks, position", {**bare, "position": None}),
            ("picks, lens", {**bare, "lens": None}),
        ):
            marks, seconds = tried(record, camera, **changes)
            wrong = sum(
                np.hypot(*np.subtract(m.pixel, truth[m.name].pixel)) > WRONG_PX
                for m in marks
                if m.name in truth and m.frame == truth[m.name].frame
            )
            counts = f"{len(marks):>4} of{len(truth):>3}{wrong:>6}"
            print(f"{camera:<12}{less:<30}{counts}{seconds:>9.1f}")


if __name__ == "__main__":
    main()
