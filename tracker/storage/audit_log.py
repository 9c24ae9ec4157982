"""What was done, in order: inputs, settings, edits and decisions, one JSON object a line.

Lines are only ever added. They are enough to make the same numbers again, together with the
files they name.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Literal, get_args

from calibration.errors import FILM, ResultsError

Kind = Literal["input", "setting", "edit", "decision", "output"]
KINDS = get_args(Kind)


@dataclass(frozen=True)
class Entry:
    """One line of the log. `data` holds JSON values only; `at` is the time of day (ISO 8601)."""

    kind: Kind
    text: str
    where: str = ""
    data: Mapping[str, Any] = field(default_factory=dict)
    at: str = ""


def time_of_day() -> str:
    """The present time of day in UTC, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Log:
    """A growing list of entries, each stamped with the time of day when it is noted."""

    def __init__(self, earlier: Iterable[Entry] = (), clock: Callable[[], str] = time_of_day):
        self._entries = list(earlier)
        self._clock = clock

    def note(self, kind: Kind, text: str, where: str = "", **data: Any) -> None:
        """Add an entry."""
        self._entries.append(Entry(kind, text, where, data, self._clock()))

    @property
    def entries(self) -> tuple[Entry, ...]:
        """All entries so far, in order."""
        return tuple(self._entries)


def log_text(entries: Iterable[Entry]) -> str:
    """The entries as JSON lines."""
    return "".join(
        json.dumps(
            {
                "at": entry.at,
                "kind": entry.kind,
                "text": entry.text,
                "where": entry.where,
                "data": dict(entry.data),
            },
            ensure_ascii=False,
            allow_nan=False,
        )
        + "\n"
        for entry in entries
    )


def read_log(text: str, where: str) -> tuple[Entry, ...]:
    """The entries of JSON lines. Raises `Problem` for a line that is not an entry."""
    entries = []
    for number, line in enumerate(text.split("\n"), 1):  # values hold other ends of lines
        if not line.strip():
            continue
        try:
            raw = json.loads(line)
            # No log that we write holds what can't be written again.
            json.dumps(raw, ensure_ascii=False, allow_nan=False).encode()
            if raw["kind"] not in KINDS:
                raise ValueError(raw["kind"])
            entries.append(
                Entry(
                    raw["kind"],
                    _plain(str(raw["text"])),
                    _plain(str(raw.get("where", ""))),
                    dict(raw.get("data", {})),
                    _plain(str(raw.get("at", ""))),
                )
            )
        except (ValueError, KeyError, TypeError, RecursionError):
            raise ResultsError(
                "this line is not an entry of a log",
                where=f"{where}, line {number}",
                remedy="analyse the test again, or restore the file",
                status=FILM,
            ) from None
    return tuple(entries)


def _plain(text: str) -> str:
    """A text without the characters by which a terminal can be steered."""
    return re.sub(r"[\x00-\x08\x0b-\x1f\x7f-\x84\x86-\x9f]", "\ufffd", text)
