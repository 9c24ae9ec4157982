"""The report that leaves the building: one content, as a page and as a PDF."""

from __future__ import annotations

from pathlib import Path

from tracker.report.content import document
from tracker.report.html import html
from tracker.report.pdf import pdf
from tracker.report.plots import draw_plots
from tracker.results import Results
from tracker.values import Progress

__all__ = ["write_reports"]


def write_reports(results: Results, folder: Path, earlier: Path, progress: Progress) -> None:
    """Write plots and reports into `folder`.

    `earlier` is the results folder that is being replaced: where a film is no longer at hand, its
    pictures are taken from there.
    """
    pictures = folder / "pictures"
    pictures.mkdir(exist_ok=True)
    progress("report", 0, 2)
    plots = draw_plots(results, pictures)
    progress("report", 1, 2)
    content = document(results, plots)
    (folder / "report.html").write_text(html(content, pictures), encoding="utf-8", newline="\n")
    (folder / "report.pdf").write_bytes(pdf(content, folder))
    progress("report", 2, 2)
