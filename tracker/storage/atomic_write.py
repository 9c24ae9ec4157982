"""Write a file in one go: whole, in place of an earlier one, or not at all."""

from __future__ import annotations

import contextlib
import os
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path

from filelock import FileLock

from calibration.errors import RECORD, ResultsError


def put(path: Path, content: bytes, *, what: str, remedy: str) -> None:
    """Write `content` beside `path` and move it into place; folders are made where they aren't.

    A file that was there leaves its mode to the new one.

    Raises Problem, saying `what` can't be done and the `remedy`, where that can't be.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("wb") as file:
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
