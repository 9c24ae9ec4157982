"""The results folder of a test with its reports: complete or not at all."""

from __future__ import annotations

import os
from collections.abc import Collection
from dataclasses import replace
from pathlib import Path

from tracker.core.types import Progress, silent
from tracker.record.check_files import is_inside
from tracker.report import write_reports
from tracker.results.folder import OURS, check_directory, relative, write_data
from tracker.results.json import RESULTS
from tracker.results.schema import Results
from tracker.storage.atomic_folder import replacing
from tracker.storage.later_parts import later_parts

PICTURES = ("films", "pictures")
REPORT = ("pictures", "report.html", "report.pdf")


def write_results(
    results: Results,
    directory: str | Path,
    progress: Progress | None = None,
    films: bool = True,
    *,
    unopened: Collection[str],
) -> None:
    """Write the results folder of a test, in place of an earlier one; `films` with marked films.

    Of the cameras `unopened` no film is opened: their earlier pictures stay. For an analysis just
    made that is none; for results that were read, `films_outside`, since anybody may have written
    what they name. The folder appears complete or not at all. Raises `Problem` (status `RECORD`)
    where `directory` holds other things, or can't be written to.
    """
    report_progress = progress or silent
    directory = Path(directory)
    source = directory.resolve()
    check_directory(directory)
    with replacing(directory, RESULTS, OURS) as new:
        write_data(relative(results, source), new)
        write_reports(_without_films(results, unopened), new, source, report_progress, films)


def write_results_in_steps(
    results: Results, directory: Path, progress: Progress | None = None
) -> None:
    """Write the results folder for a person who waits: the numbers first.

    The folder appears with all numbers, complete or not at all; report and marked films follow,
    each whole, and `tracker.storage.later_parts.UNDER_WAY` names what is still to come. Raises
    `Problem` as `write_results` does.
    """
    source = directory.resolve()
    check_directory(directory)
    films = tuple(f"films/{camera}.mp4" for camera in results.views)
    with later_parts(directory, (*REPORT, *films), PICTURES) as parts:
        with replacing(directory, RESULTS, OURS) as new:
            write_data(relative(results, source), new)
            (new / "films").mkdir(exist_ok=True)
            parts.mark(new)
        write_reports(results, parts.made, parts.earlier, progress or silent, show_film=parts.move)
        for name in REPORT:
            parts.move(name)
        parts.end()


def films_outside(results: Results, home: Path) -> tuple[str, ...]:
    """Cameras whose films, as results name them, lie elsewhere than in the folder `home`.

    Results may come from anybody: what they name is not opened unless it lies beside them.
    """
    return tuple(
        camera
        for camera, view in results.views.items()
        if "://" in view.film or not is_inside(home, _as_seen_from(home, Path(view.film)))
    )


def _as_seen_from(home: Path, film: Path) -> str:
    """The film's place relative to a folder, links to the folders around it followed."""
    return os.path.relpath(film.parent.resolve() / film.name, home)


def _without_films(results: Results, cameras: Collection[str]) -> Results:
    views = {
        camera: replace(view, film="") if camera in cameras else view
        for camera, view in results.views.items()
    }
    return replace(results, views=views)
