"""A folder that nobody but this user can write to or read."""

from __future__ import annotations

import os
import stat
from pathlib import Path

PRIVATE = 0o700


def private_folder(base: Path, *names: str) -> Path | None:
    """The folder `names` below `base`, made where it isn't; None where it can't be private.

    Each level below `base` is a folder, no link, owned by this user and closed to all others. Where
    the system has no such owners (Windows) the user's profile guards it.
    """
    here = base
    try:
        for above in (*reversed(base.parents), base):  # `parents=True` would make them by the umask
            if not above.is_dir():
                above.mkdir(mode=PRIVATE, exist_ok=True)
        for name in names:
            here = here / name
            here.mkdir(mode=PRIVATE, exist_ok=True)
            if not _is_private(here):
                return None
    except OSError:
        return None
    return here


def _is_private(folder: Path) -> bool:
    """Whether a folder is this user's alone; it is closed to others where it was not."""
    status = folder.lstat()
    if not stat.S_ISDIR(status.st_mode):
        return False
    if not hasattr(os, "getuid"):
        return True
    if status.st_uid != os.getuid():
        return False
    if status.st_mode & 0o077:
        folder.chmod(PRIVATE)
        return not folder.lstat().st_mode & 0o077
    return True
