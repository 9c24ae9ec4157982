"""Films that are dropped on the first page.

A browser says what a dropped film is called and how long it is, not where it lies. First it is
looked for by name and length in the folders that the page shows and in those of recent tests; if
it isn't there, it can be copied, part by part, into a new folder.
"""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.errors import RECORD, Problem, RecordError
from tracker.film import MOVIE_SUFFIXES
from tracker.storage.new_folder import ArrivingFile, free_bytes, remove_folder
from tracker.workbench.new_test_folder import new_test_folder
from tracker.workbench.options import WORKBENCH
from tracker.workbench.recent import recent_records
from tracker.workbench.request_values import is_text, unreadable

ACCEPTED = (*MOVIE_SUFFIXES, ".csv")
"""Endings of files that are copied: films and accelerometer tables."""


@dataclass(frozen=True)
class Dropped:
    """Name and length in bytes of a dropped file, as the browser gives them."""

    name: str
    size: int


def dropped_files(entries: Any) -> tuple[Dropped, ...]:
    """The files of a request, checked. Raises `Problem` where no page of ours sends such."""
    if not isinstance(entries, list) or not 0 < len(entries) <= WORKBENCH.listed_folders:
        raise unreadable()
    found = []
    for entry in entries:
        name, size = (entry.get("name"), entry.get("size")) if isinstance(entry, dict) else (0, 0)
        if not isinstance(name, str) or not isinstance(size, int) or isinstance(size, bool):
            raise unreadable()
        if size < 0 or not _is_plain_name(name):
            raise RecordError(
                f"{name[:80]!r} is no name of a film or table",
                where="the drop",
                remedy=f"give it a plain name that ends in one of {', '.join(ACCEPTED)}",
                status=RECORD,
            )
        found.append(Dropped(name, size))
    if len({file.name.casefold() for file in found}) < len(found):
        raise RecordError(
            "two of the files have one name",
            where="the drop",
            remedy="drop them one folder at a time",
            status=RECORD,
        )
    return tuple(found)


def _is_plain_name(name: str) -> bool:
    """Whether it names a film or table, in no folder, on any system."""
    is_plain = name.isprintable() and is_text(name) and not name.startswith(".")
    is_short = 0 < len(name.encode("utf-8", "replace")) <= WORKBENCH.name_bytes
    return (
        is_plain
        and is_short
        and not any(c in name for c in '/\\:*?"<>|')
        and name.lower().endswith(ACCEPTED)
    )


def folders_that_hold(files: Iterable[Dropped], near: Path) -> list[Path]:
    """Folders in which every file lies by its name and length, those near `near` first."""
    wanted = tuple(files)
    return [folder for folder in _folders_to_search(near) if _has_files(folder, wanted)]


def _folders_to_search(near: Path) -> Iterator[Path]:
    """The folder shown, those of recent tests, and the folders in and beside them; each once."""
    seen: set[Path] = set()
    for home in (near, *(Path(record).parent.parent for record in recent_records())):
        for folder in (home, *_inside(home)):
            if folder not in seen:
                seen.add(folder)
                yield folder


def _inside(home: Path) -> list[Path]:
    try:
        inside = [p for p in home.iterdir() if not p.name.startswith(".") and p.is_dir()]
    except OSError:
        return []
    return sorted(inside)[: WORKBENCH.listed_folders]


def _has_files(folder: Path, files: tuple[Dropped, ...]) -> bool:
    try:
        return all(
            (folder / f.name).is_file() and (folder / f.name).stat().st_size == f.size
            for f in files
        )
    except OSError:
        return False


class Arrival:
    """Files on their way into a new folder; begun by `Arrivals.begin`."""

    def __init__(self, folder: Path, files: tuple[Dropped, ...]) -> None:
        self.folder, self.files = folder, files

    def file(self, number: int) -> ArrivingFile:
        """The file of this number, to be written. Raises `Problem` where it can't be."""
        if not 0 <= number < len(self.files):
            raise unreadable()
        wanted = self.files[number]
        try:
            return ArrivingFile(self.folder / wanted.name, wanted.size)
        except OSError as error:
            raise copy_problem(wanted.name, error) from None


class Arrivals:
    """All that is on its way. Safe to call from several threads: each has its own name."""

    def __init__(self) -> None:
        self._under_way: dict[str, Arrival] = {}

    def begin(self, place: str, files: tuple[Dropped, ...]) -> tuple[str, Arrival]:
        """Make the new folder. Raises `Problem` where it can't be, or has no room for them all."""
        folder = new_test_folder(place)
        size = sum(file.size for file in files)
        free = free_bytes(folder)
        if size > WORKBENCH.arrival_share * free:
            remove_folder(folder)
            raise RecordError(
                f"the files have {size / 1e6:.0f} MB, and {free / 1e6:.0f} MB are free there",
                where=place,
                remedy="name a place with more room, or open the folder in which they lie",
                status=RECORD,
            )
        name = secrets.token_urlsafe(12)
        self._under_way[name] = arrival = Arrival(folder, files)
        return name, arrival

    def of(self, name: str) -> Arrival:
        """The one of this name. Raises `Problem` where there is none."""
        found = self._under_way.get(name)
        if found is None:
            raise unreadable()
        return found

    def end(self, name: str, keep: bool) -> Path:
        """Forget one, whose folder stays or goes; the folder."""
        arrival = self.of(name)
        del self._under_way[name]
        if not keep:
            with contextlib.suppress(OSError):
                remove_folder(arrival.folder)
        return arrival.folder

    def close(self) -> None:
        """Remove what has not arrived whole."""
        for name in list(self._under_way):
            self.end(name, keep=False)


def copy_problem(name: str, error: OSError) -> Problem:
    """What is answered where a file can't be written."""
    return RecordError(
        f"the file can't be copied ({error.strerror or error})",
        where=name,
        remedy="check the free space and your permission to write there",
        status=RECORD,
    )
