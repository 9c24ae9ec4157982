"""Columns of numbers out of text files of any sane layout.

What is recognised automatically: byte order mark and encoding (UTF-8, UTF-16, Windows 1252),
delimiter (semicolon, tab, comma, bar, blanks), decimal comma, lines before the header, rows of
units after it, quotes. What decides is the header: the line that holds every column asked for.
"""

from __future__ import annotations

import codecs
import csv
import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.arrays import Array
from calibration.errors import RECORD, Problem, RecordError
from calibration.files import read_bounded
from tracker.core.units import brief

_DELIMITERS = (";", "\t", ",", "|", " ")
_LARGEST = 1e12  # in any unit of the trade: more is a broken cell
_HEADER_LINES = 500  # a header further down than this is none
_SEEN = 1000  # names that a misspelt one is compared with
FILE_LIMIT = 2**28
ROW_LIMIT = 10_000_000
LINE_LIMIT = 2**16
"""Bytes, lines and characters of a line of the largest table that is read."""
_COMMENT = re.compile(r"^\s*(?:[#%!*]|//)+\s*")
"""What stands before a header that other programs are to skip."""
_BRACKETED = re.compile(r"^(.*?)\s*[\[(<]([^\])>]*)[\])>]\s*$")


@dataclass(frozen=True)
class Columns:
    """Some columns of a file; cells that are no numbers are NaN."""

    values: dict[str, Array]  # by the name asked for, (n,)
    units: dict[str, str]  # as the file states them; absent where it doesn't
    text_cells: dict[str, tuple[int, int, str]]  # column -> how many, first line, first text
    notes: tuple[str, ...] = ()  # what was taken of several, and what was left out


def read_columns(path: Path, names: Sequence[str]) -> Columns:
    """The columns called `names` (blanks and capitals ignored) of a text file.

    A file without a header row is read by column number: "1", "2", ...

    Raises
    ------
    Problem : the file can't be read, has no such columns, or no rows of numbers.
    """
    lines = text_lines(path)
    delimiter, header, places, units = _find_header(lines, names, path)
    rows = [
        (number, cells)
        for number, cells in enumerate(_split_cells(lines[header:], delimiter), start=header + 1)
        if any(cell.strip() for cell in cells)
    ]
    key = places[names[0]]
    first = next((k for k, row in enumerate(rows) if _is_number(_cell(row[1], key))), len(rows))
    for _, cells in rows[:first]:
        for name, place in places.items():
            text = _cell(cells, place).strip("[]()<> ")
            if text and not _is_number(text):
                units.setdefault(name, text)
    notes = _doubled_columns(lines[header - 1], delimiter, places) if header else []
    unread = sum(any(_is_number(_cell(row, k)) for k in places.values()) for _, row in rows[:first])
    rows = rows[first:]
    if unread and rows:
        notes.append(
            f"{unread} rows before line {rows[0][0]} have no number in column {brief(names[0])} "
            "and are left out"
        )
    if not rows:
        raise RecordError(
            "there are no rows of numbers under the header",
            where=str(path),
            remedy="check that the file was exported whole",
            status=RECORD,
        )
    values, bad = {}, {}
    for name, place in places.items():
        cells = [_cell(row, place) for _, row in rows]
        values[name], wrong = _numbers(cells)
        if wrong:
            bad[name] = (len(wrong), rows[wrong[0]][0], cells[wrong[0]].strip())
    return Columns(values, units, bad, tuple(notes))


def text_lines(path: Path) -> list[str]:
    """The lines of a text file in whatever encoding it says or shows.

    Raises Problem for a file that can't be read, one of more than `FILE_LIMIT` bytes or
    `ROW_LIMIT` lines, or with lines of more than `LINE_LIMIT` characters.
    """
    remedy = "check its name and its place beside the record"
    text = _decode_text(read_bounded(path, FILE_LIMIT, where=str(path), remedy=remedy))
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if text.count("\n") > ROW_LIMIT:
        raise _no_table(path, f"it has more than {ROW_LIMIT:,} lines")
    lines = text.split("\n")
    longest = max(range(len(lines)), key=lambda k: len(lines[k]))
    if len(lines[longest]) > LINE_LIMIT:
        raise _no_table(path, f"its line {longest + 1} has {len(lines[longest]):,} characters")
    return lines


def _decode_text(raw: bytes) -> str:
    for mark, encoding in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF32_LE, "utf-32"),  # begins as UTF-16 does
        (codecs.BOM_UTF32_BE, "utf-32"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if raw.startswith(mark):
            return raw.decode(encoding, errors="replace")
    if raw[1:200:2].count(0) > 50:
        return raw.decode("utf-16-le", errors="replace")
    if raw[0:200:2].count(0) > 50:
        return raw.decode("utf-16-be", errors="replace")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def _no_table(path: Path, what: str) -> Problem:
    return RecordError(
        f"this is no table of numbers: {what}",
        where=str(path),
        remedy="export one test alone, as text with a line for each sample",
        status=RECORD,
    )


def _split_cells(lines: list[str], delimiter: str) -> list[list[str]]:
    if delimiter == " ":
        return [line.split() for line in lines]
    if not any('"' in line for line in lines):
        return [line.split(delimiter) for line in lines]
    return [
        row if (row := next(csv.reader([line], delimiter=delimiter), [])) else [] for line in lines
    ]


def _find_header(
    lines: list[str], names: Sequence[str], path: Path
) -> tuple[str, int, dict[str, int], dict[str, str]]:
    wanted = [_key(name) for name in names]
    seen: list[str] = []
    for number, line in enumerate(lines[:_HEADER_LINES]):
        flat = _key(line)
        if len(seen) > _SEEN and not all(name in flat for name in wanted):
            continue
        for delimiter in _DELIMITERS:
            cells = _split_cells([_COMMENT.sub("", line)], delimiter)[0]
            whole = [_key(cell) for cell in cells]
            found = [_BRACKETED.match(cell.strip()) for cell in cells]
            bare = [_key(m.group(1)) if m else key for m, key in zip(found, whole, strict=True)]
            if all(name in whole or name in bare for name in wanted):
                at = [whole.index(n) if n in whole else bare.index(n) for n in wanted]
                places = dict(zip(names, at, strict=True))
                units = {n: m.group(2).strip() for n, k in places.items() if (m := found[k])}
                return delimiter, number + 1, places, units
            if len(cells) > 1 and not any(_is_number(cell) for cell in cells):
                seen.extend(cell.strip().strip('"') for cell in cells)
    if all(name.strip().isdecimal() and int(name) > 0 for name in names):
        start, delimiter = _first_numbers(lines, path)
        return delimiter, start, {name: int(name) - 1 for name in names}, {}
    keys = {_key(cell) for cell in seen}
    missing = next((name for name in names if _key(name) not in keys), names[0])
    near = difflib.get_close_matches(missing, seen, n=1, cutoff=0.3)
    raise RecordError(
        f"there is no column {brief(missing)}" if seen else "there is no header row",
        where=str(path),
        remedy=f"did you mean {brief(near[0])}?" if near else "name the columns as the header does",
        status=RECORD,
    )


def _doubled_columns(line: str, delimiter: str, places: dict[str, int]) -> list[str]:
    """A note for each column asked for whose name stands twice in the header."""
    keys = [_key(cell) for cell in _split_cells([_COMMENT.sub("", line)], delimiter)[0]]
    return [
        f"{keys.count(keys[place])} columns are called {brief(name)}; the first is taken"
        for name, place in places.items()
        if place < len(keys) and _key(name) in keys[place] and keys.count(keys[place]) > 1
    ]


def _first_numbers(lines: list[str], path: Path) -> tuple[int, str]:
    for number, line in enumerate(lines[:_HEADER_LINES]):
        for delimiter in _DELIMITERS:
            cells = _split_cells([line], delimiter)[0]
            if len(cells) > 1 and all(_is_number(cell) for cell in cells):
                return number, delimiter
    raise RecordError(
        "there are no rows of numbers",
        where=str(path),
        remedy="check that the file was exported whole",
        status=RECORD,
    )


def _key(name: str) -> str:
    return "".join(name.strip().strip('"').split()).casefold()


def _cell(row: list[str], place: int) -> str:
    return row[place].strip() if place < len(row) else ""


def _is_number(text: str) -> bool:
    try:
        float(_plain(text))
    except ValueError:
        return False
    return bool(text.strip())


def _plain(text: str) -> str:
    text = text.strip().strip('"').replace("\u2212", "-")
    if "_" in text:
        raise ValueError("digits with a line between them are a name, no number")
    comma, point = text.rfind(","), text.rfind(".")
    if comma >= 0 and point >= 0:
        thousands, decimal = (".", ",") if comma > point else (",", ".")
        return text.replace(thousands, "").replace(decimal, ".")
    return text.replace(",", ".")


def _numbers(cells: list[str]) -> tuple[Array, list[int]]:
    """Cells as numbers, NaN where they are none or absurdly large, and which are texts."""
    try:
        values = np.array([cell.replace("_", "?") for cell in cells], dtype=float)
    except ValueError:
        values = np.full(len(cells), np.nan)
        wrong = []
        for k, cell in enumerate(cells):
            try:
                values[k] = float(_plain(cell)) if cell else np.nan
            except ValueError:
                wrong.append(k)
    else:
        wrong = []
    values[~(np.abs(values) < _LARGEST)] = np.nan
    return values, wrong
