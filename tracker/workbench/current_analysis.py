"""The analysis under way: started, watched and, if wished, ended; the last results stay whole."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from calibration.errors import Problem
from tracker.processes.messages import problem_fields
from tracker.processes.supervisor import JobProcess
from tracker.storage.atomic_folder import clear_leftovers
from tracker.workbench.standby import Standby


class CurrentAnalysis:
    """At most one analysis of a test.

    Parameters
    ----------
    changed : called, from another thread, whenever `state` has changed.
    standby : where its process comes from.
    """

    def __init__(
        self, record: Path, directory: Path, changed: Callable[[], None], standby: Standby
    ) -> None:
        self.record = record
        self.directory = directory
        self.state: dict[str, Any] = {"state": "idle"}
        self._changed = changed
        self._standby = standby
        self._lock = threading.Lock()
        self._process: JobProcess | None = None
        self._cancelled = False

    def start(self) -> bool:
        """Begin an analysis; False if one is under way."""
        with self._lock:
            if self._process is not None:
                return False
            self._cancelled = False
            self.state = {"state": "running", "stages": {}, "headline": None}
            self._process = self._standby.begin(self.record, self.directory)
            threading.Thread(target=self._watch, args=(self._process,), daemon=True).start()
        self._changed()
        return True

    def cancel(self) -> None:
        """End the analysis under way, if there is one, and wait until it has ended."""
        with self._lock:
            process, self._cancelled = self._process, True
        if process is not None:
            process.end()

    def _progress(self, stage: str, done: int, total: int) -> None:
        stages = {**self.state["stages"], stage: [done, total]}
        self.state = {**self.state, "stages": stages}
        self._changed()

    def _result(self, payload: Mapping[str, Any]) -> None:
        """The headline numbers: the first ones, then the final ones."""
        self.state = {**self.state, **payload}
        self._changed()

    def _watch(self, process: JobProcess) -> None:
        with contextlib.closing(process):
            failure = process.failure(self._progress, self._result)
        with self._lock:
            self.state = self._end_state(failure)
            self._process = None
        if self.directory.parent.is_dir():
            clear_leftovers(self.directory.resolve())
        self._standby.refill()
        self._changed()

    def _end_state(self, failure: Problem | None) -> dict[str, Any]:
        if failure is None:
            return {"state": "done", "headline": self.state.get("headline")}
        if self._cancelled:
            return {"state": "cancelled"}
        return {"state": "failed", **problem_fields(failure)}
