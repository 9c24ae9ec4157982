"""A film that another process decodes: what it does to that process can't harm this one."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from calibration.errors import FILM, FilmError, Problem
from tracker.film.luma import Luma
from tracker.processes.answering import AnsweringProcess, Program
from tracker.processes.options import PROCESSES
from tracker.workbench.decoder import serve_check, serve_film


class FilmProcess:
    """Size, length and frames of a film, as `tracker.film.Film` has them.

    A decoder that breaks down or takes longer than `patience` s is a `Problem`; the next frame
    asked for gets a new one. Safe to call from several threads.

    Raises `Problem` where the film can't be opened.
    """

    def __init__(
        self,
        path: str,
        *,
        frame_rate: float | None = None,
        bits: int | None = None,
        where: str = "",
        patience: float = PROCESSES.patience,
        program: Program = serve_film,
    ) -> None:
        self._question = {"path": path, "frame_rate": frame_rate, "bits": bits, "where": where}
        self._where = f"{where} ({path})" if where else path
        self._patience = patience
        self._program = program
        self._lock = threading.Lock()
        self._decoder, facts = self._open_process()
        self.frames = int(facts["frames"])
        self.size = (int(facts["size"][0]), int(facts["size"][1]))
        self.bits = int(facts["bits"])
        self.rate = float("nan") if facts["rate"] is None else float(facts["rate"])
        self.starts = int(facts["starts"])  # frames at which decoding can begin: how many

    @property
    def white(self) -> int:
        """The full-scale grey level."""
        return (1 << self.bits) - 1

    @property
    def pid(self) -> int | None:
        """The process that decodes single frames."""
        found: int | None = self._decoder.process.pid
        return found

    def frame(self, index: int) -> Luma:
        """The luma (height, width) of one frame, exactly. Raises `Problem`."""
        with self._lock:
            if not self._decoder.process.is_alive():
                self._decoder.close()
                self._decoder, _ = self._open_process()
            with self._decoder.time_limit(self._patience):
                self._decoder.ask(frame=index)
                self._decoder.answer()
                return self._luma(self._decoder)

    def forward(self) -> Iterator[tuple[int, Luma]]:
        """(index, luma) from the first frame to the last, by a process of their own."""
        decoder, _ = self._open_process()
        with contextlib.closing(decoder):
            decoder.ask(forward=True)
            while True:
                with decoder.time_limit(self._patience):
                    answer = decoder.answer()
                    if "end" in answer:
                        return
                    luma = self._luma(decoder)
                yield int(answer["index"]), luma

    def close(self) -> None:
        """End the decoder."""
        self._decoder.close()

    def _open_process(self) -> tuple[AnsweringProcess, dict[str, Any]]:
        """A decoder, and the facts of the film."""
        decoder = AnsweringProcess(self._program, lambda how: _failure(self._where, how))
        try:
            with decoder.time_limit(self._patience):
                decoder.ask(**self._question)
                return decoder, decoder.answer()["film"]
        except Problem:
            decoder.close()
            raise

    def _luma(self, decoder: AnsweringProcess) -> Luma:
        width, height = self.size
        kind: Any = np.dtype(np.uint8 if self.bits <= 8 else "<u2")
        size = width * height * kind.itemsize
        data = decoder.receive(size)
        if len(data) != size:
            raise decoder.end_as_broken("it gives a frame of another size")
        luma: Luma = np.frombuffer(data, kind).reshape(height, width)
        return luma


def check_in_process(record: Path, patience: float = PROCESSES.patience) -> list[dict[str, str]]:
    """What `impactfilm check` finds of a record, by another process: it opens the films.

    Raises `Problem` as `tracker.pipeline.preflight.check_record` does.
    """
    checker = AnsweringProcess(serve_check, lambda how: _failure(str(record), how))
    with contextlib.closing(checker), checker.time_limit(patience):
        checker.ask(record=str(record))
        found: list[dict[str, str]] = checker.answer()["checks"]
        return found


def _failure(where: str, how: str) -> FilmError:
    return FilmError(
        f"decoding this film went wrong: {how}",
        where=where,
        remedy="copy the film again from the camera, or export it in another format",
        status=FILM,
    )
