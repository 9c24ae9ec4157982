"""Small files of others, read at once, after a look at their size."""

from __future__ import annotations

import os
from pathlib import Path

from calibration.errors import RECORD, RecordError


def read_bounded(path: Path, most: int, *, where: str, remedy: str) -> bytes:
    """The bytes of a file of at most `most` bytes.

    Raises Problem (status `RECORD`) with this place and remedy where there is no such file, where
    it can't be read, or where it is larger.
    """
    try:
        if path.exists() and not path.is_file():
            raise RecordError("this is not a file", where=where, remedy=remedy, status=RECORD)
        with path.open("rb") as file:
            size = os.fstat(file.fileno()).st_size
            data = file.read(most + 1) if size <= most else b""
    except OSError as error:
        raise RecordError(
            f"the file can't be read ({error.strerror})", where=where, remedy=remedy, status=RECORD
        ) from None
    if max(size, len(data)) > most:
        raise RecordError(
            f"the file is larger than {most / 2**20:g} MiB and is not read",
            where=where,
            remedy=remedy,
            status=RECORD,
        )
    return data
