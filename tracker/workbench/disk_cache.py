"""Results of stages, kept from one analysis to the next under the content of what went in.

They lie in the user's own cache folder, which is closed to others, not in the test's. They are
numbers and text only: reading them runs no code, whoever wrote them.
"""

from __future__ import annotations

import contextlib
import os
import zipfile
from pathlib import Path
from typing import Any

from tracker.storage.npz_values import classes_of, read_values, write_values
from tracker.storage.plain_files import temporary_file
from tracker.storage.private_folder import private_folder

SUFFIX = ".npz"


class DiskCache:
    """Values by key in a folder; beyond `most_bytes` the ones longest unused go.

    Parameters
    ----------
    base : the cache folder of this program; `name` is the folder below it.
    roots : the dataclasses that values are made of, with those in their fields.
    """

    def __init__(self, base: Path, name: str, most_bytes: int, *roots: type) -> None:
        self._folder = private_folder(base.parent, base.name, name)
        self._most_bytes = most_bytes
        self._classes = classes_of(*roots)

    def find(self, key: str) -> Any:
        """What was kept under the key; None if nothing is, or nothing that can be read."""
        if self._folder is None:
            return None
        place = self._folder / f"{key}{SUFFIX}"
        try:
            with place.open("rb") as file:
                value = read_values(file, self._classes)
            os.utime(place)
        except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile):
            return None  # not there, or cut short: it is made again
        return value

    def keep(self, key: str, value: Any) -> None:
        """Keep a value; where there is no room the work is only done again."""
        if self._folder is None:
            return
        with contextlib.suppress(OSError):
            with temporary_file(self._folder) as file:
                try:
                    write_values(file, value)  # type: ignore[arg-type]
                except BaseException:
                    Path(file.name).unlink(missing_ok=True)
                    raise
            Path(file.name).replace(self._folder / f"{key}{SUFFIX}")
            self._cut(self._folder)

    def _cut(self, folder: Path) -> None:
        """Remove the values longest unused until the others fit; the latest stays."""
        found = [(place, place.stat()) for place in folder.glob(f"*{SUFFIX}")]
        found.sort(key=lambda entry: -entry[1].st_mtime_ns)
        total = 0
        for number, (place, status) in enumerate(found):
            total += status.st_size
            if number and total > self._most_bytes:
                place.unlink(missing_ok=True)
