"""What the machine refuses a process, memory or a file, as distinct from errors of the program."""

from __future__ import annotations

import errno
import sys

from calibration.errors import RECORD, Problem
from tracker.processes.options import PROCESSES

_MESSAGES = ("failed to map segment", "Cannot allocate memory", "can't start new thread")
"""What libraries say that can't be loaded for want of memory."""


_REFUSED = {errno.EACCES, errno.EPERM, errno.EROFS, errno.EIO, errno.ENOSPC, errno.EMFILE}
_REFUSED |= {getattr(errno, name) for name in ("EDQUOT", "ESTALE") if hasattr(errno, name)}


def machine_problem(error: Exception) -> Problem | None:
    """The problem behind an exception, if the machine refuses memory or a file; else None.

    Under a limit too low for the libraries (`ulimit -v`) these fail to load in ways of their own.
    """
    if isinstance(error, OSError) and error.errno in _REFUSED:
        return Problem(
            f"it can't be read or written ({error.strerror})",
            where="this machine" if error.filename is None else str(error.filename),
            remedy="check your permission to enter its folder, and the free space",
            status=RECORD,
        )
    limit = address_limit()
    is_low = limit is not None and limit < PROCESSES.least_memory
    is_load = isinstance(error, (ImportError, OSError, RuntimeError, SystemError))
    message = str(error)
    if not (
        isinstance(error, MemoryError) or (is_load and (is_low or has_any_part(_MESSAGES, message)))
    ):
        return None
    return _shortage(limit if is_low else None)


def require_memory() -> None:
    """Raise the `Problem` at once where this process may not map what an analysis needs: libraries
    that run short on the way fail in ways of their own, or hang.
    """
    limit = address_limit()
    if limit is not None and limit < PROCESSES.least_memory:
        raise _shortage(limit)


def _shortage(limit: int | None) -> Problem:
    allowed = f" (the limit of this process is {limit / 2**30:.2g} GB)" if limit else ""
    return Problem(
        f"there is too little memory{allowed}",
        where="this machine",
        remedy="end other programs, raise the limit, or analyse fewer tests at a time",
    )


def address_limit() -> int | None:
    """Bytes that this process may map; None without a limit, and where none is known."""
    if sys.platform == "win32":  # it has no such limits
        return None
    import resource

    soft, _ = resource.getrlimit(resource.RLIMIT_AS)
    return None if soft in (resource.RLIM_INFINITY, -1) else soft


def has_any_part(parts: tuple[str, ...], text: str) -> bool:
    """Whether one of the parts stands in the text."""
    return any(part in text for part in parts)
