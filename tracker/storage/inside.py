"""Files below a test's folder, which may come from a stranger: no link is followed out of it.

Every part of a name below the folder is a folder itself, and the file a plain file: no link, no
pipe, no device. Reading is bounded. The folder is taken as it lies there; against somebody who
changes it meanwhile it gives no guarantee.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path, PurePath

_NO_WAIT = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)


def read_inside(home: Path, name: str, most: int) -> bytes:
    """The content of the file `name` below `home`, not more than `most` bytes.

    Raises OSError where it is no plain file inside, or larger.
    """
    with os.fdopen(_descriptor(home, name, os.O_RDONLY), "rb") as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise OSError(errno.EFBIG, "the file is too large", str(home / name))
    return data


def append_inside(home: Path, name: str, data: bytes) -> None:
    """Add to the end of the file `name`, on a line of its own. Raises OSError as `read_inside`."""
    flags = os.O_RDWR | os.O_CREAT | os.O_APPEND
    with os.fdopen(_descriptor(home, name, flags), "r+b") as file:
        end = file.seek(0, os.SEEK_END)
        file.seek(max(end - 1, 0))
        is_torn = file.read(1) not in (b"", b"\n")  # a crash cut the last line short
        file.seek(0, os.SEEK_END)
        file.write(b"\n" * is_torn + data)


def folder_inside(home: Path, name: str) -> Path:
    """The folder `name` below `home`, made where it isn't. Raises OSError where it is a link."""
    here = home
    for part in _parts(name):
        here = here / part
        here.mkdir(exist_ok=True)
        _check_folder(here)
    return here


def files_inside(folder: Path) -> Iterator[tuple[str, os.stat_result]]:
    """Name below the folder and status of every plain file in it; hidden ones are left out.

    Links are none of them, neither are folders behind links.
    """
    if not folder.is_dir() or folder.is_symlink():
        return
    for here, folders, names in os.walk(folder):
        folders[:] = sorted(n for n in folders if not n.startswith("."))
        for name in sorted(names):
            path = Path(here, name)
            status = path.lstat()
            if stat.S_ISREG(status.st_mode) and not name.startswith("."):
                yield path.relative_to(folder).as_posix(), status


def check_inside(home: Path, name: str) -> None:
    """Raises OSError unless `name` is a plain file below `home`, as `read_inside`."""
    os.close(_descriptor(home, name, os.O_RDONLY))


def is_own_file(path: Path) -> bool:
    """Whether this is a plain file in a folder, neither of them a link."""
    try:
        return not path.parent.is_symlink() and stat.S_ISREG(path.lstat().st_mode)
    except (OSError, ValueError):
        return False


def _descriptor(home: Path, name: str, flags: int) -> int:
    *folders, _ = _parts(name)
    here = home
    for part in folders:
        here = here / part
        _check_folder(here)
    path = home / name
    if path.is_symlink():
        raise OSError(errno.ELOOP, "the file is a link", str(path))
    descriptor = os.open(path, flags | _NO_WAIT, 0o666)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise OSError(errno.EINVAL, "it is no plain file", str(path))
    return descriptor


def _check_folder(folder: Path) -> None:
    if not stat.S_ISDIR(folder.lstat().st_mode):
        raise OSError(errno.ENOTDIR, "it is no folder, or a link to one", str(folder))


def _parts(name: str) -> tuple[str, ...]:
    path = PurePath(name)
    if path.is_absolute() or path.drive or ".." in path.parts or not path.parts or "\0" in name:
        raise OSError(errno.EINVAL, "the name leads out of the folder", name)
    return path.parts
