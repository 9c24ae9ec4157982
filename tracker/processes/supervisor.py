"""The parent's side of a job in a process of its own: what happens to it stops nothing else."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from calibration.errors import Problem
from tracker.core.types import Progress
from tracker.processes.messages import problem_of
from tracker.processes.options import PROCESSES
from tracker.storage.plain_files import temporary_text


class JobProcess:
    """A program under way that reports as `tracker.processes.child.run_job` does.

    Parameters
    ----------
    command : the program and its arguments.
    where : named in the problem if the program breaks down.
    environment : variables that it gets besides ours.
    work, remedy : what it does and what to do if it breaks down, for the problem.
    """

    def __init__(
        self,
        command: Sequence[str | Path],
        where: Path,
        environment: Mapping[str, str],
        work: str = "the analysis",
        remedy: str = "run `impactfilm analyse` on it",
    ) -> None:
        self._where, self._work, self._remedy = where, work, remedy
        self._errors = temporary_text()
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,  # closes with us, which ends the process
            stdout=subprocess.PIPE,
            stderr=self._errors,
            text=True,
            encoding="utf-8",
            errors="replace",
            env={**os.environ, **environment},
            start_new_session=True,  # Ctrl-C is for us: we end the others
        )

    @property
    def pid(self) -> int:
        """Its number."""
        return self._process.pid

    def is_alive(self) -> bool:
        """Whether it has not ended yet."""
        return self._process.poll() is None

    def ask(self, where: Path, **question: Any) -> None:
        """Send a program that waits for it its task; `where` is named from now on in a problem.
        One that has ended meanwhile is a problem of `failure`.
        """
        self._where = where
        assert self._process.stdin is not None
        with contextlib.suppress(OSError):
            self._process.stdin.write(json.dumps(question) + "\n")
            self._process.stdin.flush()

    def failure(
        self,
        report_progress: Progress,
        receive_result: Callable[[Mapping[str, Any]], None] | None = None,
    ) -> Problem | None:
        """Wait for its end; None if it is done, else why not.

        Progress and results known before the end are passed on meanwhile. A line that is no message
        of ours is passed over: libraries write on standard output, too.
        """
        assert self._process.stdout is not None
        for line in self._process.stdout:
            with contextlib.suppress(ValueError, KeyError, TypeError):
                fields = json.loads(line)
                if "problem" in fields:
                    return problem_of(fields["problem"])
                if fields.get("end") == "done":
                    return None
                if "result" in fields:
                    if receive_result is not None:
                        receive_result(fields["result"])
                    continue
                report_progress(str(fields["stage"]), int(fields["done"]), int(fields["total"]))
        return Problem(
            self._last_words(self._process.wait()),
            where=str(self._where),
            remedy=self._remedy,
        )

    def kill(self) -> None:
        """End it at once."""
        self._process.kill()

    def end(self) -> None:
        """Ask it to end, and wait; after a while it is killed."""
        self._process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(PROCESSES.end_wait)
        self._process.kill()
        self._process.wait()

    def close(self) -> None:
        """End it and give back what it held."""
        self._process.kill()
        self._process.wait()
        for file in (self._process.stdin, self._process.stdout, self._errors):
            if file is not None:
                file.close()

    def _last_words(self, status: int) -> str:
        if status < 0:
            memory = ", perhaps for want of memory" if status == -9 else ""
            return f"{self._work} was ended by signal {-status}{memory}"
        self._errors.seek(0)
        lines = [line.strip() for line in self._errors if line.strip()]
        last = f" ({lines[-1][: PROCESSES.shown_length]})" if lines else ""
        return f"{self._work} ended unexpectedly with status {status}{last}"
