"""Write a file in one go: whole, in place of an earlier one, or not at all."""

from __future__ import annotations

import contextlib
import glob
import os
import shutil
import stat
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from filelock import FileLock

from calibration.errors import RECORD, ResultsError
from tracker.storage.atomic_folder import DAY

_AS_IT_IS = getattr(os, "O_BINARY", 0)


def put(path: Path, content: bytes, *, what: str, remedy: str) -> None:
    """Write `content` beside `path` and move it into place; folders are made where they aren't.

    A file that was there leaves its mode to the new one, which nobody else can read before. What a
    killed process left beside it more than a day ago is removed.

    Raises Problem, saying `what` can't be done and the `remedy`, where that can't be.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _clear_leftovers(path)
        mode = stat.S_IMODE(path.stat().st_mode) if path.exists() else 0o666
        beside.unlink(missing_ok=True)
        new = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _AS_IT_IS, mode)
        with os.fdopen(new, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, beside)
        beside.replace(path)
    except OSError as error:
        raise ResultsError(
            f"{what} ({error.strerror})", where=str(path), remedy=remedy, status=RECORD
        ) from None
    finally:
        beside.unlink(missing_ok=True)


def _clear_leftovers(path: Path) -> None:
    with contextlib.suppress(OSError):
        for left in path.parent.glob(f".{glob.escape(path.name)}.*.*.new"):
            status = left.lstat()
            if stat.S_ISREG(status.st_mode) and time.time() - status.st_mtime > DAY:
                left.unlink()


@contextlib.contextmanager
def hold_lock(path: Path) -> Iterator[None]:
    """Hold the lock file `path`, waiting for whoever holds it; other processes heed it, too.

    Raises Problem where the file can't be made. On network drives that know no locks it holds
    nobody off.
    """
    lock = FileLock(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(NotImplementedError):
            lock.acquire()
    except OSError as error:
        raise ResultsError(
            f"the change can't be saved ({error.strerror})",
            where=str(path),
            remedy="check the free space and your permission to write there",
            status=RECORD,
        ) from None
    try:
        yield
    finally:
        lock.release()
