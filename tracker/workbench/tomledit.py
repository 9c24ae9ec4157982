"""Changes to the text of a record: comments, order and layout of everything else stay."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, InlineTable

from calibration.errors import RECORD, Problem, RecordError
from tracker.storage.toml_text import toml_tables

APPEND = "+"
"""As the last part of a path: a further entry of a list."""
TABLE_LISTS = ("accelerometers", "scale")
"""Lists that are written as [[tables]]; all others as arrays."""
NOT_WRITABLE = (
    AttributeError, IndexError, KeyError, OverflowError, RecursionError, TypeError, ValueError,
)  # fmt: skip
"""What a change that fits nowhere may raise."""
LONGEST = 2**19  # letters of a record that is edited: what keeps the layout is slow
MARK = "\ufeff"
DATES = (("test", "date"),)

Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Change:
    """Put `value` at `path`, or with None take away what is there."""

    path: Path
    value: Any = None


def changed_text(text: str, changes: Sequence[Change]) -> str:
    """The text with the changes made. Raises `Problem` where one of them can't be.

    Ends of lines and a byte order mark stay as they are.
    """
    mark, body = text[: text.startswith(MARK)], text.removeprefix(MARK)
    if len(body) > LONGEST:
        raise _refusal()
    try:
        toml_tables(body)
        document = tomlkit.parse(body)
        for change in changes:
            _apply(document, change)
        new = _with_ends_of(body, tomlkit.dumps(document))
        after = toml_tables(new)
        new.encode()  # half of a pair of surrogates is no text
    except (TOMLKitError, *NOT_WRITABLE):
        raise _refusal() from None
    last = {change.path: change for change in changes if change.path[-1] != APPEND}
    for path, change in last.items():
        if not any(
            _is_overriding(later, path) for later in last if later != path
        ) and not _is_as_asked(after, change):
            raise _refusal()
    return mark + new


def _with_ends_of(old: str, new: str) -> str:
    """The new text; its lines end as those of the old one where those all end alike."""
    lines = old.count("\n")
    if lines and lines == old.count("\r\n"):
        return new.replace("\r\n", "\n").replace("\n", "\r\n")
    return new


def _apply(document: Any, change: Change) -> None:
    *way, last = change.path
    here = document
    for at, part in enumerate(way):
        following = change.path[at + 1]
        if isinstance(here, list):
            here = here[int(part)]
            continue
        if part not in here:
            if change.value is None:
                return
            here[part] = _new_container(here, str(part), following)
        here = here[part]
    if change.value is None:
        _remove(document, change.path, here, last)
    elif last == APPEND:
        _append(here, change.value)
    elif isinstance(here, list):
        here[int(last)] = _item(change.path, change.value)
    else:
        here[last] = _item(change.path, change.value)


def _append(here: Any, value: Any) -> None:
    if isinstance(here, AoT):
        table = tomlkit.table()
        for key, entry in value.items():
            table[key] = _item((key,), entry)
        here.append(table)
    else:
        here.append(_item((), value))
        if isinstance(here, Array) and len(here) > 1:
            here.multiline(True)


def _remove(document: Any, path: Path, here: Any, last: str | int) -> None:
    if isinstance(here, list):
        del here[int(last)]
        if not here:  # an empty list means nothing
            parent = document
            for part in path[:-2]:
                parent = parent[part]
            del parent[path[-2]]
    elif last in here:
        del here[last]


def _new_container(here: Any, name: str, following: str | int) -> Any:
    if isinstance(here, InlineTable) and isinstance(following, str) and following != APPEND:
        return tomlkit.inline_table()
    if following == APPEND or isinstance(following, int):
        return tomlkit.aot() if name in TABLE_LISTS else tomlkit.array()
    return tomlkit.table()


def _item(path: Path, value: Any) -> Any:
    """A value as TOML writes it; a table in one line."""
    if path in DATES and isinstance(value, str):
        try:
            return datetime.date.fromisoformat(value)
        except ValueError:
            return value
    if isinstance(value, Mapping):
        table = tomlkit.inline_table()
        for key, entry in value.items():
            if entry is not None:
                table[key] = _item((), entry)
        return table
    if isinstance(value, list):
        array = tomlkit.array()
        for entry in value:
            array.append(_item((), entry))
        return array
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return int(value)
    return value


def _is_overriding(later: Path, path: Path) -> bool:
    """Whether a change at one path can move or hide what another one did."""
    shared = min(len(later), len(path))
    numbered = any(isinstance(part, int) for part in (*later, *path))
    return later[:shared] == path[:shared] or numbered


def _is_as_asked(tables: Any, change: Change) -> bool:
    here = tables
    for part in change.path:
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            return change.value is None
    if isinstance(change.path[-1], int) and change.value is None:
        return True
    if isinstance(here, datetime.date):
        return bool(here.isoformat() == change.value)
    if isinstance(change.value, Mapping):
        return bool(here == {k: v for k, v in change.value.items() if v is not None})
    return bool(here == change.value)


def _refusal() -> Problem:
    return RecordError(
        "the record is laid out in a way that this change can't be written into",
        where="record.toml",
        remedy="make the change in a text editor; the workbench takes it up",
        status=RECORD,
    )
