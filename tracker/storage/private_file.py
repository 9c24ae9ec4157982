"""Files that no other user can read, under a name that nobody can foresee."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path


def write_private(folder: Path, prefix: str, suffix: str, data: bytes) -> Path:
    """A new file in the folder, with mode 0600 whatever the umask. Raises OSError."""
    handle, name = tempfile.mkstemp(suffix, prefix, folder)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
    return Path(name)


def remove(file: Path) -> None:
    """Remove a file, if it is still there and can be."""
    with contextlib.suppress(OSError):
        file.unlink()
