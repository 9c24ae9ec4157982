"""The plan's files: a page and a PDF."""

from __future__ import annotations

from pathlib import Path

from tracker.planning.drawing import draw
from tracker.planning.pages import document
from tracker.planning.plan import Plan
from tracker.planning.sheets import Paper, sheets_pdf
from tracker.record.schema import PlannedRecord
from tracker.report.html import html
from tracker.report.pdf import pdf
from tracker.storage.atomic_write import put
from tracker.storage.plain_files import temporary_folder

PAGE, PDF, SHEETS = "plan.html", "plan.pdf", "sheets.pdf"


def write_plan(plan: Plan, directory: Path) -> None:
    """Write plan.html and plan.pdf into `directory`, which is made where it isn't there."""
    with temporary_folder() as made:
        pictures = Path(made) / "pictures"
        pictures.mkdir()
        content = document(plan, draw(plan, pictures))
        page = html(content, pictures)
        typeset = pdf(content, Path(made))
    _put(directory / PAGE, page.encode())
    _put(directory / PDF, typeset)


def write_sheets(record: PlannedRecord, directory: Path, paper: Paper | None = None) -> Path:
    """Write the marks of a record true to scale into sheets.pdf and say where it is; on A4 or
    Letter, by default what the record's report units suggest.
    """
    path = directory / SHEETS
    _put(path, sheets_pdf(record, paper or _paper(record)))
    return path


def _paper(record: PlannedRecord) -> Paper:
    return "letter" if record.test.report_units == "us" else "a4"


def _put(path: Path, content: bytes) -> None:
    put(path, content, what="the plan can't be written", remedy="name another folder with --out")
