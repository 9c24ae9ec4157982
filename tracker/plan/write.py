"""The plan's files: a page and a PDF."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from calibration.problem import RECORD, Problem
from tracker.plan.drawing import draw
from tracker.plan.pages import document
from tracker.plan.plan import Plan
from tracker.plan.sheets import Paper, sheets_pdf
from tracker.record_schema import PlannedRecord
from tracker.report.html import html
from tracker.report.pdf import pdf

PAGE, PDF, SHEETS = "plan.html", "plan.pdf", "sheets.pdf"


def write_plan(plan: Plan, directory: Path) -> None:
    """Write plan.html and plan.pdf into `directory`, which is made where it isn't there."""
    with tempfile.TemporaryDirectory() as made:
        pictures = Path(made) / "pictures"
        pictures.mkdir()
        content = document(plan, draw(plan, pictures))
        page = html(content, pictures)
        typeset = pdf(content, Path(made))
    put(directory / PAGE, page.encode())
    put(directory / PDF, typeset)


def write_sheets(record: PlannedRecord, directory: Path, paper: Paper | None = None) -> Path:
    """Write the marks of a record true to scale into sheets.pdf and say where it is; on A4 or
    Letter, by default what the record's report units suggest.
    """
    path = directory / SHEETS
    put(path, sheets_pdf(record, paper or _paper(record)))
    return path


def _paper(record: PlannedRecord) -> Paper:
    return "letter" if record.test.report_units == "us" else "a4"


def put(path: Path, content: bytes) -> None:
    """Write a file in one go, in place of an earlier one. Raises Problem where that can't be."""
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_bytes(content)
        beside.replace(path)
    except OSError as error:
        raise Problem(
            f"the plan can't be written ({error.strerror})",
            where=str(path),
            remedy="name another folder with --out",
            status=RECORD,
        ) from None
    finally:
        beside.unlink(missing_ok=True)
