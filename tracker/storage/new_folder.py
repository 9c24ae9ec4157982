"""Folders where nothing is yet, and files that arrive in them part by part."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path


def make_folder(folder: Path) -> None:
    """A folder where nothing is yet, in one that is there. Raises FileExistsError, OSError."""
    folder.mkdir()


def remove_folder(folder: Path) -> None:
    """Remove a folder that `make_folder` made, with all that is in it. Raises OSError."""
    shutil.rmtree(folder)


def free_bytes(folder: Path) -> int:
    """Free space where a folder lies. Raises OSError."""
    return shutil.disk_usage(folder).free


class ArrivingFile:
    """A file of known size that arrives in parts: it has its name once it is whole.

    Parameters
    ----------
    path : where nothing is yet.
    size : in bytes.

    Raises FileExistsError, OSError.
    """

    def __init__(self, path: Path, size: int) -> None:
        self._path, self._size, self._written = path, size, 0
        self._part = path.with_name(f".{path.name}.part")
        if path.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
        self._file = self._part.open("xb")

    def write(self, data: bytes) -> None:
        """Add the next part. Raises OSError where there is no room or more than announced comes."""
        self._written += len(data)
        if self._written > self._size:
            raise OSError(errno.EFBIG, "it is longer than was announced", str(self._path))
        self._file.write(data)

    def close(self) -> bool:
        """Give it its name if it is whole, else remove it; whether it is whole. Raises OSError."""
        try:
            self._file.close()
            if self._written != self._size:
                return False
            if self._path.exists():
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(self._path))
            self._part.rename(self._path)
            return True
        finally:
            self._part.unlink(missing_ok=True)
