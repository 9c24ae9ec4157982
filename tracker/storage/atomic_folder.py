"""A folder that is complete or absent: it is filled beside its place and moved there at once.

What a killed run left behind is cleared away by the next one; a folder that was pushed aside
by a run that died before its replacement was in place is put back.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import time
from collections.abc import Collection, Iterator
from pathlib import Path

from calibration.errors import RECORD, Problem, ResultsError

NEW, OLD = "new", "old"
DAY = 86400.0


def ready(directory: Path, ours: str) -> None:
    """Raise `Problem` (status `RECORD`) if `directory` can't become a results folder.

    An existing folder may be replaced only if it is empty or holds the file `ours`.
    """
    target = directory.resolve()
    wrong = None
    if target.exists() and not target.is_dir():
        wrong = "this is a file, not a folder"
    elif target.is_dir() and any(target.iterdir()) and not (target / ours).is_file():
        wrong = f"the folder holds other things and no {ours}"
    elif target.parent == target:
        wrong = "the root of a file system can't be a results folder"
    if wrong:
        raise ResultsError(
            wrong,
            where=str(directory),
            remedy="name a new or an empty folder with --out",
            status=RECORD,
        )


@contextlib.contextmanager
def replacing(directory: Path, ours: str) -> Iterator[Path]:
    """A new folder to fill, which takes the place of `directory` when the block ends well.

    If the block raises, the new folder is removed and `directory` stays as it was. Things in the
    old folder that the new one lacks are not carried over. Raises `Problem` where the place
    can't be used or written to.
    """
    ready(directory, ours)
    target = directory.resolve()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        clear_leftovers(target)
        new = Path(tempfile.mkdtemp(prefix=f".{target.name}.{NEW}.", dir=target.parent))
    except OSError as error:
        raise _unwritable(error, directory) from None
    with _claimed(new):
        try:
            yield new
            new.chmod(0o777 & ~_umask())
            _flush(new)
            _exchange(new, target)
        except OSError as error:
            raise _unwritable(error, directory) from None
        finally:
            shutil.rmtree(new, ignore_errors=True)


def clear_leftovers(target: Path) -> None:
    """Put back or remove what runs that died left beside `target`."""
    for old in target.parent.glob(f".{target.name}.{OLD}.*"):
        if _abandoned(old):
            if target.exists():
                shutil.rmtree(old, ignore_errors=True)
            else:
                old.rename(target)
    for new in target.parent.glob(f".{target.name}.{NEW}.*"):
        if _abandoned(new):
            shutil.rmtree(new, ignore_errors=True)


def keep_others(old: Path, new: Path, ours: Collection[str]) -> None:
    """Copy what people have put into the old folder: all but the names `ours`."""
    for entry in sorted(old.iterdir()) if old.is_dir() else []:
        if entry.name not in ours and not (new / entry.name).exists():
            if entry.is_dir() and not entry.is_symlink():
                shutil.copytree(entry, new / entry.name, symlinks=True)
            else:
                shutil.copy2(entry, new / entry.name, follow_symlinks=False)


def _exchange(new: Path, target: Path) -> None:
    """Move `new` to `target`; what was there goes aside first and is removed last."""
    old = new.with_name(new.name.replace(f".{NEW}.", f".{OLD}."))
    if target.exists():
        target.rename(old)
    with _claimed(old):
        try:
            new.rename(target)
        except OSError:
            if old.exists() and not target.exists():
                old.rename(target)
            raise
        _flush_folder(target.parent)
        shutil.rmtree(old, ignore_errors=True)


def _flush(folder: Path) -> None:
    """Bring everything in the folder to the disk."""
    for place, _, names in os.walk(folder):
        for name in names:
            with (Path(place) / name).open("rb") as file:
                os.fsync(file.fileno())
        _flush_folder(Path(place))


def _flush_folder(folder: Path) -> None:
    if os.name != "posix":  # elsewhere folders can't be opened
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def _claimed(folder: Path) -> Iterator[None]:
    """Hold a lock on the folder that ends with this process, so that others leave it alone."""
    if os.name != "posix" or not folder.exists():
        yield
        return
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _abandoned(folder: Path) -> bool:
    """Whether no living process claims the folder."""
    if os.name != "posix":
        return time.time() - folder.stat().st_mtime > DAY
    import fcntl

    try:
        handle = os.open(folder, os.O_RDONLY)
    except FileNotFoundError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    finally:
        os.close(handle)
    return True


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _unwritable(error: OSError, directory: Path) -> Problem:
    return ResultsError(
        f"the results can't be written ({error.strerror or error})",
        where=str(directory),
        remedy="check the free space and your permission to write there",
        status=RECORD,
    )
