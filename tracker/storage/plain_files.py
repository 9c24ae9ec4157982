"""Files in folders of our own: of a results folder while it is filled, of a demonstration.

What stands in a person's own folder is written by `atomic_write`, what lies below a stranger's by
`inside`.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import IO

from calibration.files import write_text

__all__ = [
    "copy_file",
    "temporary_file",
    "temporary_folder",
    "temporary_text",
    "write_bytes",
    "write_new",
    "write_text",
]


def write_bytes(path: Path, data: bytes | memoryview) -> None:
    """Bytes in place of what is there. Raises OSError."""
    path.write_bytes(data)


def write_new(path: Path, text: str) -> None:
    """A text where nothing is yet, a link neither. Raises FileExistsError, OSError."""
    with path.open("x", encoding="utf-8") as file:
        file.write(text)


def copy_file(source: Path, target: Path) -> None:
    """The content of a file, in place of what is there. Raises OSError."""
    shutil.copyfile(source, target)


def temporary_folder() -> tempfile.TemporaryDirectory[str]:
    """A folder that only this user can enter, gone when its block ends."""
    return tempfile.TemporaryDirectory()


def temporary_file(folder: Path | None = None, suffix: str = "") -> IO[bytes]:
    """A new file that only this user can read; it stays."""
    file: IO[bytes] = tempfile.NamedTemporaryFile(  # noqa: SIM115 - the caller's block closes it
        suffix=suffix, dir=folder, delete=False
    )
    return file


def temporary_text() -> IO[str]:
    """A text file without a name, gone when it is closed; what is no text in it is replaced."""
    file: IO[str] = tempfile.TemporaryFile(  # noqa: SIM115 - the caller's block closes it
        "w+", encoding="utf-8", errors="replace"
    )
    return file
