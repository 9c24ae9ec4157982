"""Frames of a film at once, wherever in it they lie.

Movies that hold only few frames whole are slow to enter in the middle. For those a working copy of
the grey levels, exactly as decoded, is made in a temporary file without a name, in the background,
so that it is gone with the program. Nothing is viewed through a lossy copy.
"""

from __future__ import annotations

import contextlib
import threading
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.errors import Problem
from tracker.storage.scratch_file import ScratchFile, ScratchSpace
from tracker.workbench.film_process import FilmProcess
from tracker.workbench.options import WORKBENCH

COPIES = ScratchSpace(WORKBENCH.copy_share)
"""What the working copies of all films of this program take together."""


class Frames:
    """Exact random access to a film; safe to call from several threads."""

    def __init__(self, film: FilmProcess, copy: bool = True) -> None:
        self.film = film
        width, height = film.size
        self._kind = np.dtype(np.uint8 if film.bits <= 8 else "<u2")
        self._shape = (film.frames, height, width)
        self._stored_mask = np.zeros(film.frames, dtype=bool)
        self._copy: ScratchFile | None = None
        self._stopped = threading.Event()
        self._wanted = threading.Event()
        if copy and self._is_worth_copying():
            threading.Thread(target=self._fill, daemon=True).start()

    @property
    def copied_count(self) -> int:
        """How many frames the working copy holds."""
        return int(self._stored_mask.sum())

    @property
    def has_copy(self) -> bool:
        """Whether a working copy is being made or is there."""
        return self._copy is not None

    def luma(self, index: int) -> NDArray[Any]:
        """The grey levels (height, width) of a frame. Raises `Problem` where there are none."""
        stored = self._stored_frame(index)
        if stored is not None:
            return stored
        self._wanted.set()
        try:
            luma = self.film.frame(index)
        finally:
            self._wanted.clear()
        with contextlib.suppress(OSError, ValueError):  # no room, or just closed
            self._keep(index, luma)
        return luma

    def bytes_of(self, index: int) -> bytes:
        """The grey levels, row by row, one byte each or two (little-endian)."""
        return np.ascontiguousarray(self.luma(index), dtype=self._kind).tobytes()

    def close(self) -> None:
        """Stop copying, and end the decoder."""
        self._stopped.set()
        self.film.close()
        if self._copy is not None:
            self._copy.close()

    def _stored_frame(self, index: int) -> NDArray[Any] | None:
        """The frame out of the working copy, if it is there."""
        copy = self._copy
        if copy is None or not 0 <= index < len(self._stored_mask) or not self._stored_mask[index]:
            return None
        size = self._frame_bytes()
        try:
            data = copy.get(index * size, size)
        except (OSError, EOFError, ValueError):  # the disk fails, or it was just closed
            return None
        return np.frombuffer(data, self._kind).reshape(self._shape[1:])

    def _keep(self, index: int, luma: NDArray[Any]) -> None:
        if self._copy is not None:
            data = np.ascontiguousarray(luma, dtype=self._kind).tobytes()
            self._copy.put(index * self._frame_bytes(), data)
            self._stored_mask[index] = True

    def _frame_bytes(self) -> int:
        return self._shape[1] * self._shape[2] * self._kind.itemsize

    def _is_worth_copying(self) -> bool:
        if self.film.frames <= WORKBENCH.copy_spacing * self.film.starts or self.film.frames < 2:
            return False
        self._copy = COPIES.reserve(self.film.frames * self._frame_bytes())
        return self._copy is not None

    def _fill(self) -> None:
        with contextlib.suppress(Problem, OSError, ValueError):  # a full disk: what is there stays
            for index, luma in self.film.forward():
                if self._stopped.is_set():
                    return
                if not self._stored_mask[index]:
                    self._keep(index, luma)
                while self._wanted.is_set() and not self._stopped.wait(0.002):
                    pass  # a person waits for a frame: let that one go first
