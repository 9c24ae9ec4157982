"""The report that leaves the building: one content, as a page and as a PDF."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tracker.core.types import Progress
from tracker.report.content import document
from tracker.report.films import mark_films
from tracker.report.html import html
from tracker.report.pdf import pdf
from tracker.report.plots import draw_plots
from tracker.report.sequence import Photographer
from tracker.results.schema import Results
from tracker.storage.plain_files import write_bytes, write_text

__all__ = ["write_reports"]


def write_reports(
    results: Results,
    folder: Path,
    earlier: Path,
    progress: Progress,
    films: bool = True,
    show_film: Callable[[str], None] | None = None,
) -> None:
    """Write plots, photographs, reports and (`films`) marked films into `folder`.

    `earlier` is the results folder that is being replaced: where a film is no longer at hand, its
    pictures are taken from there. `show_film` gets the name, below `folder`, of each marked film
    as soon as it is written, from another thread.
    """
    pictures = folder / "pictures"
    pictures.mkdir(exist_ok=True)
    photographer = Photographer(results, pictures)

    def take_pictures() -> None:
        if films:  # each film is read once for both
            place = folder / "films"
            mark_films(results, place, earlier / "films", progress, photographer.look, show_film)
        photographer.take()

    stages = 3
    progress("report", 0, stages)
    with ThreadPoolExecutor(1) as beside:  # drawing on films leaves the interpreter to the plots
        taking = beside.submit(take_pictures)
        plots = draw_plots(results, pictures)
        progress("report", 1, stages)
        taking.result()
    content = document(results, plots, photographer.shots(earlier / "pictures"))
    write_text(folder / "report.html", html(content, pictures))
    progress("report", 2, stages)
    write_bytes(folder / "report.pdf", pdf(content, folder))
    progress("report", 3, stages)
