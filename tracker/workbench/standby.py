"""A process that has loaded all that an analysis needs and waits for one: loading takes longer than
a small change.
"""

from __future__ import annotations

import sys
import threading
from pathlib import Path

from tracker.processes.supervisor import JobProcess

JOB = (sys.executable, "-m", "tracker.workbench.job")


class Standby:
    """Processes for analyses, of which at most one waits; safe to call from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: JobProcess | None = None
        self._keeps_one = False
        self._closed = False

    @property
    def waiting(self) -> int | None:
        """The number of the process that waits; None without."""
        waiting = self._waiting
        return None if waiting is None else waiting.pid

    def is_ready(self) -> bool:
        """Whether one waits and lives."""
        waiting = self._waiting
        return waiting is not None and waiting.is_alive()

    def keep_one(self) -> None:
        """Have one wait from now on, whenever no analysis is under way."""
        self._keeps_one = True
        self.refill()

    def refill(self) -> None:
        """Start the one that is to wait, if there is none."""
        with self._lock:
            if self._keeps_one and not self._closed and self._waiting is None:
                self._waiting = JobProcess(JOB, Path("workbench"), {})

    def begin(self, record: Path, directory: Path) -> JobProcess:
        """An analysis begun, by the process that waits or by a new one."""
        with self._lock:
            waiting, self._waiting = self._waiting, None
        if waiting is not None and not waiting.is_alive():
            waiting.close()
            waiting = None
        process = waiting or JobProcess(JOB, record, {})
        process.ask(record, record=str(record), directory=str(directory))
        return process

    def close(self) -> None:
        """End the one that waits; none waits any more."""
        with self._lock:
            self._closed = True
            if self._waiting is not None:
                self._waiting.close()
                self._waiting = None
