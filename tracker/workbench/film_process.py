"""A film that another process decodes: what it does to that process can't harm this one."""

from __future__ import annotations

import contextlib
import json
import threading
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

from calibration.errors import FILM, FilmError, Problem
from tracker.film.luma import Luma
from tracker.processes.contexts import context
from tracker.workbench.decoder import serve, serve_check

PATIENCE = 60.0
"""s that opening a film or reaching a frame may take."""
WORD = 2**24
"""Bytes of the longest answer but a frame."""

Program = Callable[[Connection], None]


class FilmApart:
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
        patience: float = PATIENCE,
        program: Program = serve,
    ) -> None:
        self._asked = {"path": path, "frame_rate": frame_rate, "bits": bits, "where": where}
        self._where = f"{where} ({path})" if where else path
        self._patience = patience
        self._program = program
        self._lock = threading.Lock()
        self._near, known = self._begun()
        self.frames = int(known["frames"])
        self.size = (int(known["size"][0]), int(known["size"][1]))
        self.bits = int(known["bits"])
        self.rate = float("nan") if known["rate"] is None else float(known["rate"])
        self.starts = int(known["starts"])  # frames at which decoding can begin: how many

    @property
    def white(self) -> int:
        """The full-scale grey level."""
        return (1 << self.bits) - 1

    @property
    def pid(self) -> int | None:
        """The process that decodes single frames."""
        found: int | None = self._near.process.pid
        return found

    def frame(self, index: int) -> Luma:
        """The luma (height, width) of one frame, exactly. Raises `Problem`."""
        with self._lock:
            if not self._near.process.is_alive():
                self._near.close()
                self._near, _ = self._begun()
            with self._near.watched(self._patience):
                self._near.ask(frame=index)
                self._near.told()
                return self._luma(self._near)

    def forward(self) -> Iterator[tuple[int, Luma]]:
        """(index, luma) from the first frame to the last, by a process of their own."""
        decoder, _ = self._begun()
        with contextlib.closing(decoder):
            decoder.ask(forward=True)
            while True:
                with decoder.watched(self._patience):
                    told = decoder.told()
                    if "end" in told:
                        return
                    luma = self._luma(decoder)
                yield int(told["index"]), luma

    def close(self) -> None:
        """End the decoder."""
        self._near.close()

    def _begun(self) -> tuple[Decoder, dict[str, Any]]:
        """A decoder, and what it says of the film."""
        decoder = Decoder(self._program, self._where)
        try:
            with decoder.watched(self._patience):
                decoder.ask(**self._asked)
                return decoder, decoder.told()["film"]
        except Problem:
            decoder.close()
            raise

    def _luma(self, decoder: Decoder) -> Luma:
        width, height = self.size
        kind: Any = np.dtype(np.uint8 if self.bits <= 8 else "<u2")
        size = width * height * kind.itemsize
        data = decoder.heard(size)
        if len(data) != size:
            raise decoder.broken("it gives a frame of another size")
        luma: Luma = np.frombuffer(data, kind).reshape(height, width)
        return luma


def check_apart(record: Path, patience: float = PATIENCE) -> list[dict[str, str]]:
    """What `impactfilm check` says of a record, found by another process: it opens the films.

    Raises `Problem` as `tracker.check.check_record` does.
    """
    decoder = Decoder(serve_check, str(record))
    with contextlib.closing(decoder), decoder.watched(patience):
        decoder.ask(record=str(record))
        found: list[dict[str, str]] = decoder.told()["checks"]
        return found


class Decoder:
    """The other process: it runs `program` at the other end of a line."""

    def __init__(self, program: Program, where: str) -> None:
        forking = context()
        self._where = where
        self._late = False
        self._line, far = forking.Pipe()
        self.process = forking.Process(target=program, args=(far,), daemon=True)
        self.process.start()
        far.close()

    def ask(self, **what: Any) -> None:
        """Put a question."""
        with contextlib.suppress(OSError):  # that it has ended is noticed when it should answer
            self._line.send_bytes(json.dumps(what).encode())

    def told(self) -> dict[str, Any]:
        """Its answer. Raises the `Problem` that it tells, or one that it has broken down."""
        told: dict[str, Any] = json.loads(self.heard(WORD))
        if "what" in told:
            raise FilmError(**told)
        return told

    def heard(self, most: int) -> bytes:
        """Its next bytes, not more than `most`."""
        try:
            found: bytes = self._line.recv_bytes(most)
        except (EOFError, OSError):
            raise self.broken(self._end()) from None
        return found

    @contextlib.contextmanager
    def watched(self, patience: float) -> Iterator[None]:
        """End the process if the block takes too long."""
        timer = threading.Timer(patience, self._give_up)
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()

    def broken(self, how: str) -> Problem:
        """The problem of a decoder that can't be asked any more."""
        self.process.kill()
        return FilmError(
            f"decoding this film went wrong: {how}",
            where=self._where,
            remedy="copy the film again from the camera, or export it in another format",
            status=FILM,
        )

    def close(self) -> None:
        """End the process."""
        self.process.kill()
        self.process.join()
        self._line.close()

    def _give_up(self) -> None:
        self._late = True
        self.process.kill()

    def _end(self) -> str:
        if self._late:
            return "it takes too long"
        self.process.join(1.0)
        code = self.process.exitcode
        ended = code is not None and code < 0
        return f"its process was ended by signal {-code}" if ended and code else "its process ended"
