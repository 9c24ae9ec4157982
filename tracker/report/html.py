"""The report as one HTML page that asks nothing of the outside: pictures and style are inside."""

from __future__ import annotations

import base64
from importlib.resources import files
from pathlib import Path

import jinja2

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

KINDS = {
    Text: "text",
    Heading: "heading",
    TableBlock: "table",
    Plot: "plot",
    Photographs: "photographs",
    Form: "form",
    Beside: "beside",
    Together: "together",
}
TYPES = {".svg": "image/svg+xml", ".png": "image/png", ".jpg": "image/jpeg"}


def html(document: Document, pictures: Path) -> str:
    """The page; plots and photographs are taken from the folder `pictures`."""
    here = files("tracker.report")
    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    numbers = {"table": 0, "figure": 0}

    def next_number(kind: str) -> int:
        numbers[kind] += 1
        return numbers[kind]

    def data_url(name: str) -> str:
        data = base64.b64encode((pictures / name).read_bytes()).decode("ascii")
        return f"data:{TYPES[Path(name).suffix]};base64,{data}"

    template = environment.from_string((here / "report.html.j2").read_text(encoding="utf-8"))
    return template.render(
        document=document,
        style=(here / "report.css").read_text(encoding="utf-8"),
        kind_of=_kind,
        next_number=next_number,
        data_url=data_url,
    )


def _kind(block: Block) -> str:
    return KINDS[type(block)]
