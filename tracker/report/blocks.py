"""What a report consists of, before it is typeset: the same blocks make the page and the PDF."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from tracker.report.digits import align_cells
from tracker.report.options import REPORT


@dataclass(frozen=True)
class Text:
    """A paragraph. `kind` "caution" stands in a frame, "note" is small."""

    text: str
    kind: Literal["body", "note", "caution", "lead"] = "body"


@dataclass(frozen=True)
class Heading:
    """A heading within a part."""

    text: str


@dataclass(frozen=True)
class TableBlock:
    """Rows of text. `align` has a letter a column: l, c, r; c is for numbers aligned at "±"."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str
    note: str = ""


@dataclass(frozen=True)
class Plot:
    """A drawn plot: `name` is its file in pictures/ without the ending."""

    name: str
    caption: str


@dataclass(frozen=True)
class Photographs:
    """Rows of pictures side by side, each with a label: (file in pictures/, label)."""

    caption: str
    rows: tuple[tuple[tuple[str, str], ...], ...]
    columns: int  # how many stand side by side in a full row


@dataclass(frozen=True)
class Form:
    """Named entries in columns, row by row; an empty one is a line to fill in by hand."""

    entries: tuple[tuple[str, str], ...]
    widths: tuple[float, ...]  # of the columns, in proportion
    note: str = ""


@dataclass(frozen=True)
class Beside:
    """Two columns of blocks."""

    left: tuple[Block, ...]
    right: tuple[Block, ...]


@dataclass(frozen=True)
class Together:
    """Blocks that stand on one page where a page holds them."""

    blocks: tuple[Block, ...]


Block = Text | Heading | TableBlock | Plot | Photographs | Form | Beside | Together


@dataclass(frozen=True)
class Part:
    """A part of the report, for one kind of reader; starts a new page."""

    title: str
    reader: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Document:
    """The whole report."""

    number: str
    title: str
    subtitle: str
    footer: str
    paper: Literal["us-letter", "a4"]
    parts: tuple[Part, ...]
    label: str = "Test"  # what the number is the number of
    running: str = ""  # stands on every page: number and revision of the report
    notice: str = ""  # stands on every page: what the results relate to


def halves(block: TableBlock | None) -> Block | None:
    """A long narrow table as two beside each other; a short one as it is."""
    if block is None or len(block.rows) < REPORT.halved_rows:
        return block
    middle = (len(block.rows) + 1) // 2
    first, second = block.rows[:middle], block.rows[middle:]
    return Beside(
        (replace(block, rows=first),),
        (replace(block, rows=second, caption=f"{block.caption}, continued", note=""),),
    )


def table(
    caption: str, head: Sequence[str], rows: Sequence[Sequence[str]], align: str, note: str = ""
) -> TableBlock:
    """A table whose columns marked "c" are padded so that numbers align at the "±"."""
    columns = [list(column) for column in zip(*rows, strict=True)]
    for i, letter in enumerate(align[: len(columns)]):
        if letter == "c":
            columns[i] = align_cells(columns[i])
    padded = tuple(zip(*columns, strict=True)) if columns else ()
    return TableBlock(caption, tuple(head), padded, align, note)
