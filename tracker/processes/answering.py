"""A process that answers questions over a pipe: it can't harm this one, whatever it does."""

from __future__ import annotations

import contextlib
import json
import threading
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from typing import Any

from calibration.errors import Problem
from tracker.processes.contexts import context
from tracker.processes.messages import message_text, problem_fields, problem_of
from tracker.processes.options import PROCESSES

Program = Callable[[Connection], None]


class AnsweringProcess:
    """Runs `program` at the other end of a pipe.

    Parameters
    ----------
    failure : the `Problem` for a process that can't be asked any more, from how that came about.
    """

    def __init__(self, program: Program, failure: Callable[[str], Problem]) -> None:
        forking = context()
        self._failure = failure
        self._late = False
        self._pipe, far = forking.Pipe()
        self.process = forking.Process(target=program, args=(far,), daemon=True)
        self.process.start()
        far.close()

    def ask(self, **question: Any) -> None:
        """Send a question."""
        with contextlib.suppress(OSError):  # that it has ended is noticed when it should answer
            self._pipe.send_bytes(message_text(**question).encode())

    def answer(self) -> dict[str, Any]:
        """Its answer. Raises the `Problem` that it holds, or one that the process broke down."""
        fields: dict[str, Any] = json.loads(self.receive(PROCESSES.answer_bytes))
        if "problem" in fields:
            raise problem_of(fields["problem"])
        return fields

    def receive(self, most: int) -> bytes:
        """Its next bytes, not more than `most`."""
        try:
            found: bytes = self._pipe.recv_bytes(most)
        except (EOFError, OSError):
            raise self.end_as_broken(self._end()) from None
        return found

    @contextlib.contextmanager
    def time_limit(self, patience: float) -> Iterator[None]:
        """End the process if the block takes longer than `patience` s."""
        timer = threading.Timer(patience, self._give_up)
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()

    def end_as_broken(self, how: str) -> Problem:
        """End the process; the problem to raise."""
        self.process.kill()
        return self._failure(how)

    def close(self) -> None:
        """End the process."""
        self.process.kill()
        self.process.join()
        self._pipe.close()

    def _give_up(self) -> None:
        self._late = True
        self.process.kill()

    def _end(self) -> str:
        if self._late:
            return "it takes too long"
        self.process.join(1.0)
        code = self.process.exitcode
        by_signal = code is not None and code < 0
        if by_signal and code:
            return f"its process was ended by signal {-code}"
        return "its process ended"


def send_message(pipe: Connection, **fields: Any) -> None:
    """Answer with a message."""
    pipe.send_bytes(message_text(**fields).encode())


def send_problem(pipe: Connection, problem: Problem) -> None:
    """Answer with a problem."""
    send_message(pipe, problem=problem_fields(problem))


def receive_message(pipe: Connection) -> dict[str, Any]:
    """The next question."""
    fields: dict[str, Any] = json.loads(pipe.recv_bytes())
    return fields
