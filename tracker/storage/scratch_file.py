"""Space on the disk for what can be made again: bounded over all its users, gone with the program.

It is written and read, never mapped: where the disk fills, writing is refused with an error, while
a mapped page that finds no room ends the whole program by a signal (POSIX, mmap: SIGBUS).
"""

from __future__ import annotations

import shutil
import tempfile
import threading
from typing import IO


class ScratchSpace:
    """How much of the temporary folder's disk all scratch files together may take.

    Parameters
    ----------
    share : of what would be free without them.
    """

    def __init__(self, share: float) -> None:
        self.share = share
        self._lock = threading.Lock()
        self._promised = 0
        self._written = 0

    def reserve(self, size: int) -> ScratchFile | None:
        """A file of at most `size` bytes; None where that is more than what is left."""
        with self._lock:
            try:
                free = shutil.disk_usage(tempfile.gettempdir()).free + self._written
                if self._promised + size > self.share * free:
                    return None
                made = ScratchFile(self, size)
            except OSError:
                return None
            self._promised += size
            return made

    def account(self, promised: int, written: int) -> None:
        """Note that a number of bytes more are promised and written."""
        with self._lock:
            self._promised += promised
            self._written += written


class ScratchFile:
    """A file without a name, made by `ScratchSpace.reserve`; safe to use from several threads."""

    def __init__(self, space: ScratchSpace, size: int) -> None:
        self._space, self._size = space, size
        self._file: IO[bytes] = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115 - till `close`
        self._lock = threading.Lock()
        self._written = 0

    def put(self, at: int, data: bytes) -> None:
        """Write at a place. Raises OSError where there is no room, ValueError outside the size."""
        with self._lock:
            if at < 0 or at + len(data) > self._size:
                raise ValueError("outside the file")
            self._file.seek(at)
            left = memoryview(data)
            while left:
                done = self._file.write(left) or 0
                left = left[done:]
            self._space.account(0, len(data))
            self._written += len(data)

    def get(self, at: int, size: int) -> bytes:
        """A number of bytes from a place. Raises OSError, EOFError where they were not written."""
        with self._lock:
            self._file.seek(at)
            data = self._file.read(size)
        if len(data) != size:
            raise EOFError
        return data

    def close(self) -> None:
        """Give the space back."""
        with self._lock:
            if not self._file.closed:
                self._file.close()
                self._space.account(-self._size, -self._written)

    def __del__(self) -> None:
        if hasattr(self, "_written"):  # it was made
            self.close()
