"""The child's side of a job in a process of its own."""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any

from calibration.errors import Problem
from tracker.core.types import Progress
from tracker.processes.messages import message_text, problem_fields
from tracker.processes.options import PROCESSES
from tracker.processes.shortage import machine_problem


def run_job(work: Callable[[Progress], None]) -> None:
    """Do the work, reporting on standard output, a message a line.

    The process ends when its standard input is closed, so that it does not outlive its parent.
    """
    threading.Thread(target=_end_with_parent, daemon=True).start()
    try:
        work(ProgressReports().report)
        _send(end="done")
    except Problem as problem:
        _send(problem=problem_fields(problem))
    except (MemoryError, ImportError, OSError, RuntimeError, SystemError) as error:
        short = machine_problem(error)
        if short is None:
            raise
        _send(problem=problem_fields(short))


def question_from_parent() -> dict[str, Any]:
    """What the parent asks for, by `JobProcess.ask`; the process ends if it goes without a word."""
    line = b""
    while not line.endswith(b"\n"):
        part = os.read(sys.stdin.fileno(), 4096)  # unbuffered: `run_job` reads on
        if not part:
            os._exit(1)
        line += part
    found: dict[str, Any] = json.loads(line)
    return found


def announce_result(payload: Mapping[str, Any]) -> None:
    """Send what is known before the end of a job."""
    _send(result=dict(payload))


class ProgressReports:
    """Progress sent at most once an interval, and when a stage ends."""

    def __init__(self, interval: float = PROCESSES.report_interval) -> None:
        self._interval = interval
        self._sent: dict[str, float] = {}
        self._lock = threading.Lock()

    def report(self, stage: str, done: int, total: int) -> None:
        """A `tracker.core.types.Progress`."""
        now = time.monotonic()
        with self._lock:
            if done == total or now - self._sent.get(stage, -self._interval) >= self._interval:
                self._sent[stage] = now
                _send(stage=stage, done=done, total=total)


def _send(**fields: Any) -> None:
    sys.stdout.write(message_text(**fields) + "\n")
    sys.stdout.flush()


def _end_with_parent() -> None:
    while os.read(sys.stdin.fileno(), 4096):  # unbuffered, so that the end need not wait for it
        pass
    os._exit(1)
