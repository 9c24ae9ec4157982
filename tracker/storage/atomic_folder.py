"""A folder that is complete or absent: it is filled beside its place and moved there at once.

What a killed run left behind is cleared away by the next one; a folder that was pushed aside
by a run that died before its replacement was in place is put back.
"""

from __future__ import annotations

import contextlib
import errno
import glob
import os
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Collection, Iterator
from pathlib import Path

from calibration.errors import RECORD, Problem, ResultsError
from calibration.files import open_regular

NEW, OLD = "new", "old"
_LONGEST = 255  # bytes of a name in common file systems
_ADDED = 14  # bytes by which the name of a folder beside the target is longer
DAY = 86400.0


def ready(directory: Path, ours: str) -> None:
    """Raise `Problem` (status `RECORD`) if `directory` can't become a results folder.

    An existing folder may be replaced only if it is empty or holds the file `ours`.
    """
    wrong = None
    try:
        target = directory.resolve()
        is_there = target.exists()
        is_used = target.is_dir() and any(target.iterdir())
    except OSError as error:
        raise _unwritable(error, directory) from None
    if is_there and not target.is_dir():
        wrong = "this is a file, not a folder"
    elif is_used and not (target / ours).is_file():
        wrong = f"the folder holds other things and no {ours}"
    elif target.parent == target:
        wrong = "the root of a file system can't be a results folder"
    if wrong:
        raise _unfit(wrong, directory)
    _check_writable(target, directory)


def check_carryable(directory: Path, ours: Collection[str]) -> None:
    """Raise `Problem` if what people have put into the folder can't be carried over."""
    target = directory.resolve()
    if not target.is_dir():
        return
    for path in _theirs(target, ours):
        mode = path.lstat().st_mode
        plain = stat.S_ISREG(mode) or stat.S_ISDIR(mode)
        if not stat.S_ISLNK(mode) and not (plain and os.access(path, os.R_OK)):
            what = "can't be read" if plain else "is a pipe or a device"
            name = path.relative_to(target)
            raise _unfit(f"{str(name)!r} in the folder {what} and can't be kept", directory)


@contextlib.contextmanager
def replacing(directory: Path, ours: str, own: Collection[str] = ()) -> Iterator[Path]:
    """A new folder to fill, which takes the place of `directory` when the block ends well.

    If the block raises, the new folder is removed and `directory` stays as it was. Things in the
    old folder that the new one lacks are carried over, but for those called as one of `own`. Two
    writers of one folder end one after the other, so that neither loses what people have put
    there. Raises `Problem` where the place can't be used or written to.
    """
    with contextlib.ExitStack() as locks:
        try:
            target = directory.resolve()
            target.parent.mkdir(parents=True, exist_ok=True)
            with claim_folder(target.parent):  # no other run is just exchanging folders
                ready(directory, ours)
                _clear(target)
                new = Path(tempfile.mkdtemp(prefix=beside(target, NEW), dir=target.parent))
                locks.enter_context(claim_folder(new))
        except OSError as error:
            raise _unwritable(error, directory) from None
        try:
            yield new
            _take_mode(target, new)
            with claim_folder(target.parent):
                keep_others(target, new, own)
                _flush(new)
                _exchange(new, target)
        except OSError as error:
            raise _unwritable(error, directory) from None
        finally:
            shutil.rmtree(new, ignore_errors=True)


def clear_leftovers(target: Path) -> None:
    """Put back or remove what runs that died left beside `target`."""
    with claim_folder(target.parent):
        _clear(target)


def _clear(target: Path) -> None:
    """As `clear_leftovers`, for whoever holds the lock on the folder around `target`."""
    for old in _leftovers(target, OLD):
        if _is_abandoned(old):
            if target.exists():
                shutil.rmtree(old, ignore_errors=True)
            else:
                old.rename(target)
    for new in _leftovers(target, NEW):
        if _is_abandoned(new):
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
    with claim_folder(old):
        try:
            new.rename(target)
        except OSError:
            if old.exists() and not target.exists():
                old.rename(target)
            raise
        _flush_folder(target.parent)
        shutil.rmtree(old, ignore_errors=True)


def _check_writable(target: Path, directory: Path) -> None:
    """Raise `Problem` if no folder of this name can be made, found before the work."""
    parent = target.parent
    while not parent.exists() and parent != parent.parent:
        parent = parent.parent
    if not os.access(parent, os.W_OK | os.X_OK):
        raise _unwritable(OSError(errno.EACCES, os.strerror(errno.EACCES)), directory)
    is_long = any(len(os.fsencode(part)) > _LONGEST for part in target.parts)
    if is_long or len(os.fsencode(target.name)) > _LONGEST - _ADDED:
        raise _unfit("the name of the folder is too long", directory)


def beside(target: Path, kind: str) -> str:
    """How the names of folders begin that stand beside `target` for a while."""
    return f".{target.name}.{kind}."


def _leftovers(target: Path, kind: str) -> list[Path]:
    """Folders beside `target` that a run may have left; links and files are none of them."""
    found = target.parent.glob(f"{glob.escape(beside(target, kind))}*")
    return [path for path in found if stat.S_ISDIR(path.lstat().st_mode)]


def _theirs(folder: Path, ours: Collection[str]) -> Iterator[Path]:
    """All in a results folder that is people's own, folders before what they hold."""
    for entry in sorted(folder.iterdir()):
        if entry.name not in ours:
            yield entry
            if entry.is_dir() and not entry.is_symlink() and os.access(entry, os.R_OK):
                yield from entry.rglob("*")


def _take_mode(target: Path, new: Path) -> None:
    """Give `new` mode and group of the folder whose place it takes, or those of a new folder."""
    if target.is_dir():
        before = target.stat()
        if sys.platform != "win32" and before.st_gid != new.stat().st_gid:
            with contextlib.suppress(OSError):
                os.chown(new, -1, before.st_gid)
        new.chmod(stat.S_IMODE(before.st_mode))
    else:
        new.chmod((new.stat().st_mode & stat.S_ISGID) | 0o777 & ~_umask())


def _flush(folder: Path) -> None:
    """Bring everything in the folder to the disk."""
    for place, _, names in os.walk(folder):
        for name in names:
            if not (Path(place) / name).is_symlink():
                with open_regular(Path(place) / name) as file:
                    os.fsync(file.fileno())
        _flush_folder(Path(place))


def _flush_folder(folder: Path) -> None:
    if sys.platform == "win32":  # elsewhere folders can't be opened
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def claim_folder(folder: Path) -> Iterator[None]:
    """Hold a lock on the folder that ends with this process, so that others leave it alone."""
    if sys.platform == "win32" or not folder.exists():
        yield
        return
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _is_abandoned(folder: Path) -> bool:
    """Whether no living process claims the folder."""
    if sys.platform == "win32":
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


def _unfit(wrong: str, directory: Path) -> Problem:
    return ResultsError(
        wrong,
        where=str(directory),
        remedy="name a new or an empty folder with --out",
        status=RECORD,
    )


def _unwritable(error: OSError, directory: Path) -> Problem:
    return ResultsError(
        f"the results can't be written ({error.strerror or error})",
        where=str(directory),
        remedy="check the free space and your permission to write there",
        status=RECORD,
    )
