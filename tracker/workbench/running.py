"""The analysis under way: started, watched and, if wished, ended; the last results stay whole."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tracker.storage.atomic_folder import clear_leftovers


class Running:
    """At most one analysis of a test.

    Parameters
    ----------
    told : called, from another thread, whenever `state` has changed.
    """

    def __init__(self, record: Path, directory: Path, told: Callable[[], None]) -> None:
        self.record = record
        self.directory = directory
        self.told = told
        self.state: dict[str, Any] = {"state": "idle"}
        self._lock = threading.Lock()
        self._process: subprocess.Popen[str] | None = None
        self._cancelled = False

    def start(self) -> bool:
        """Begin an analysis; False if one is under way."""
        with self._lock:
            if self._process is not None:
                return False
            self._cancelled = False
            self.state = {"state": "running", "stages": {}}
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tracker.workbench.job", self.record, self.directory],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                encoding="utf-8",
            )
            threading.Thread(target=self._watch, args=(self._process,), daemon=True).start()
        self.told()
        return True

    def cancel(self) -> None:
        """End the analysis under way, if there is one, and wait until it has ended."""
        with self._lock:
            process, self._cancelled = self._process, True
        if process is None:
            return
        process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(5)
        if process.poll() is None:
            process.kill()
            process.wait()

    def _watch(self, process: subprocess.Popen[str]) -> None:
        end: dict[str, Any] = {}
        assert process.stdout is not None
        assert process.stdin is not None
        for line in process.stdout:
            with contextlib.suppress(ValueError):
                said = json.loads(line)
                if "end" in said:
                    end = said
                else:
                    stages = {**self.state["stages"], said["stage"]: [said["done"], said["total"]]}
                    self.state = {"state": "running", "stages": stages}
                    self.told()
        process.wait()
        process.stdout.close()
        process.stdin.close()
        with self._lock:
            self.state = self._ended(end, process.returncode)
            self._process = None
        if self.directory.parent.is_dir():
            clear_leftovers(self.directory.resolve())
        self.told()

    def _ended(self, end: dict[str, Any], code: int) -> dict[str, Any]:
        if end.get("end") == "done":
            return {"state": "done"}
        if self._cancelled:
            return {"state": "cancelled"}
        if end.get("end") == "problem":
            return {"state": "failed", **{k: end[k] for k in ("what", "where", "remedy")}}
        return {
            "state": "failed",
            "what": f"the analysis ended unexpectedly (exit status {code})",
            "where": str(self.record),
            "remedy": "run `impactfilm analyse` on this record and report what it says",
        }
