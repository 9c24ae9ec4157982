"""Files of others: plain ones only, and small ones read at once, after a look at their size."""

from __future__ import annotations

import errno
import os
import stat
from io import BufferedReader
from pathlib import Path

from calibration.errors import RECORD, RecordError

_NO_WAIT = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0)
_AS_IT_IS = getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)


def open_regular(path: Path) -> BufferedReader:
    """A plain file, open for reading bytes. It never waits for somebody to write.

    Raises OSError for a folder, a named pipe, a socket and a device, as for what is not there.
    """
    _check_regular(path.stat().st_mode)  # opening a device may do something
    handle = os.open(path, os.O_RDONLY | _NO_WAIT | _AS_IT_IS)
    try:
        _check_regular(os.fstat(handle).st_mode)
        return os.fdopen(handle, "rb")
    except OSError:
        os.close(handle)
        raise


def _check_regular(mode: int) -> None:
    if not stat.S_ISREG(mode):
        raise OSError(errno.EINVAL, "it is a folder, a pipe or a device")


def read_bounded(path: Path, most: int, *, where: str, remedy: str) -> bytes:
    """The bytes of a file of at most `most` bytes.

    Raises Problem (status `RECORD`) with this place and remedy where there is no such file, where
    it can't be read, or where it is larger.
    """
    try:
        if path.exists() and not path.is_file():
            raise RecordError("this is not a file", where=where, remedy=remedy, status=RECORD)
        with open_regular(path) as file:
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


def write_text(path: Path, text: str, ends: str = "\n") -> None:
    """A text as UTF-8, in place of what is there; its lines end as `ends` says. Raises OSError."""
    path.write_bytes(text.replace("\n", ends).encode())
