"""The demonstration test that the first page makes: begun, watched and, if wished, ended."""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from calibration.errors import Problem
from tracker.processes.messages import problem_fields
from tracker.processes.supervisor import JobProcess
from tracker.storage.new_folder import remove_folder
from tracker.workbench.demo_job import SCENARIOS
from tracker.workbench.new_test_folder import new_test_folder

JOB = (sys.executable, "-m", "tracker.workbench.demo_job")


class Demonstration:
    """At most one demonstration under way; `state` is what the page shows of it."""

    def __init__(self) -> None:
        self.state: Mapping[str, Any] = {"state": "idle"}
        self._lock = threading.Lock()
        self._process: JobProcess | None = None
        self._cancelled = False

    def start(self, place: str, scenario: str) -> bool:
        """Begin to write one of `SCENARIOS` into a new folder; False if one is under way.

        Raises Problem where the folder can't be made.
        """
        with self._lock:
            if self._process is not None:
                return False
            folder = new_test_folder(place)
            self._cancelled = False
            self.state = {"state": "running", "stages": {}, "folder": str(folder)}
            self._process = JobProcess(
                (*JOB, str(folder), SCENARIOS[scenario]),
                folder,
                {},
                work="the demonstration",
                remedy="run `impactfilm demo` in a terminal",
            )
            threading.Thread(target=self._watch, args=(self._process, folder), daemon=True).start()
        return True

    def cancel(self) -> None:
        """End the one under way, if there is one; its folder goes with it."""
        with self._lock:
            process, self._cancelled = self._process, True
        if process is not None:
            process.end()

    def _progress(self, stage: str, done: int, total: int) -> None:
        self.state = {**self.state, "stages": {**self.state["stages"], stage: [done, total]}}

    def _watch(self, process: JobProcess, folder: Path) -> None:
        with contextlib.closing(process):
            failure = process.failure(self._progress)
        if failure is not None:
            with contextlib.suppress(OSError):
                remove_folder(folder)
        with self._lock:
            self.state = self._end_state(failure, folder)
            self._process = None

    def _end_state(self, failure: Problem | None, folder: Path) -> dict[str, Any]:
        if failure is None:
            return {"state": "done", "folder": str(folder)}
        if self._cancelled:
            return {"state": "cancelled"}
        return {"state": "failed", **problem_fields(failure)}
