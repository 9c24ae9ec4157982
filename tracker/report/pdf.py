"""The report as a PDF, and each plot as one, typeset with fonts that travel with the program."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import matplotlib as mpl
import typst

from tracker.report.blocks import (
    Beside,
    Block,
    Document,
    Form,
    Heading,
    Photographs,
    Plot,
    TableBlock,
    Text,
    Together,
)

PLOT = """#set document(date: none)
#set page(width: auto, height: auto, margin: 0pt)
#image(sys.inputs.plot)
"""


def pdf(document: Document, folder: Path) -> bytes:
    """The report; plots and photographs are taken from `folder`/pictures."""
    template = (files("tracker.report") / "report.typ").read_bytes()
    return _compile_page(template, folder, {"document": json.dumps(_document(document))})


def plot_pdf(name: str, folder: Path) -> bytes:
    """A plot `folder`/`name` (SVG) as a page of its size."""
    return _compile_page(PLOT.encode(), folder, {"plot": f"/{name}"})


def _compile_page(source: bytes, root: Path, inputs: dict[str, str]) -> bytes:
    compiler = typst.Compiler(source, root=str(root), font_paths=_fonts(), sys_inputs=inputs)
    made = compiler.compile(format="pdf")
    assert isinstance(made, bytes)
    return made


@cache
def _fonts() -> Any:
    """DejaVu Sans as matplotlib carries it: the same on every machine."""
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(folder)]
    )


def _document(document: Document) -> dict[str, Any]:
    return {
        "label": document.label,
        "number": document.number,
        "title": document.title,
        "subtitle": document.subtitle,
        "footer": document.footer,
        "running": document.running,
        "notice": document.notice,
        "paper": document.paper,
        "parts": [
            {"title": p.title, "reader": p.reader, "blocks": [_block(b) for b in p.blocks]}
            for p in document.parts
        ],
    }


def _block(block: Block) -> dict[str, Any]:
    match block:
        case Text(text, style):
            return {"kind": "text", "text": text, "style": style}
        case Heading(text):
            return {"kind": "heading", "text": text}
        case TableBlock(caption, head, rows, align, note):
            table = {"caption": caption, "head": head, "rows": rows, "align": align, "note": note}
            return {"kind": "table"} | table
        case Plot(name, caption):
            return {"kind": "plot", "name": name, "caption": caption}
        case Photographs(caption, rows, columns):
            row = {"caption": caption, "rows": rows, "columns": columns}
            return {"kind": "photographs"} | row
        case Form(entries, widths, note):
            return {"kind": "form", "entries": entries, "widths": widths, "note": note}
        case Beside(left, right):
            sides = {"left": [_block(b) for b in left], "right": [_block(b) for b in right]}
            return {"kind": "beside"} | sides
        case Together(blocks):
            return {"kind": "together", "blocks": [_block(b) for b in blocks]}
