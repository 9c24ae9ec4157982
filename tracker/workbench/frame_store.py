"""Frames of a film at once, wherever in it they lie.

Movies that hold only few frames whole are slow to enter in the middle. For those a working copy of
the grey levels, exactly as decoded, is made in a temporary file without a name, in the background,
so that it is gone with the program. Nothing is viewed through a lossy copy.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
import threading
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.errors import Problem
from tracker.workbench.film_process import FilmProcess
from tracker.workbench.options import WORKBENCH


class Frames:
    """Exact random access to a film; safe to call from several threads."""

    def __init__(self, film: FilmProcess, copy: bool = True) -> None:
        self.film = film
        width, height = film.size
        self._kind = np.dtype(np.uint8 if film.bits <= 8 else "<u2")
        self._shape = (film.frames, height, width)
        self._held = np.zeros(film.frames, dtype=bool)
        self._copy: NDArray[Any] | None = None
        self._stopped = threading.Event()
        self._wanted = threading.Event()
        if copy and self._worth_copying():
            threading.Thread(target=self._fill, daemon=True).start()

    @property
    def copied_count(self) -> int:
        """How many frames the working copy holds."""
        return int(self._held.sum())

    @property
    def has_copy(self) -> bool:
        """Whether a working copy is being made or is there."""
        return self._copy is not None

    def luma(self, index: int) -> NDArray[Any]:
        """The grey levels (height, width) of a frame. Raises `Problem` where there are none."""
        copy = self._copy
        if copy is not None and 0 <= index < len(self._held) and self._held[index]:
            return np.asarray(copy[index])
        self._wanted.set()
        try:
            luma = self.film.frame(index)
        finally:
            self._wanted.clear()
        if copy is not None:
            copy[index] = luma
            self._held[index] = True
        return luma

    def bytes_of(self, index: int) -> bytes:
        """The grey levels, row by row, one byte each or two (little-endian)."""
        return np.ascontiguousarray(self.luma(index), dtype=self._kind).tobytes()

    def close(self) -> None:
        """Stop copying, and end the decoder."""
        self._stopped.set()
        self.film.close()

    def _worth_copying(self) -> bool:
        if self.film.frames <= WORKBENCH.copy_spacing * self.film.starts or self.film.frames < 2:
            return False
        size = int(np.prod(self._shape)) * self._kind.itemsize
        free = shutil.disk_usage(tempfile.gettempdir()).free
        if size > WORKBENCH.copy_share * free:
            return False
        with contextlib.suppress(OSError, ValueError), tempfile.TemporaryFile() as file:
            self._copy = np.memmap(file, dtype=self._kind, mode="w+", shape=self._shape)
        return self._copy is not None

    def _fill(self) -> None:
        copy = self._copy
        assert copy is not None
        with contextlib.suppress(Problem, OSError):
            for index, luma in self.film.forward():
                copy[index] = luma
                self._held[index] = True
                if self._stopped.is_set():
                    return
                while self._wanted.is_set() and not self._stopped.wait(0.002):
                    pass  # a person waits for a frame: let that one go first
