"""A test analysed in a process of its own: what happens to that process stops no other test."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Literal

from calibration.errors import Problem
from tracker.core.types import Progress, silent
from tracker.storage.atomic_folder import clear_leftovers

ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
"""Many tests at a time fill the cores by themselves."""
JOB = (sys.executable, "-m", "tracker.batch.job")
LINE = 300  # characters of a program's last word that are shown


@dataclass(frozen=True)
class Task:
    """A test to be done: its record, and where its results go."""

    record: Path
    directory: Path


@dataclass(frozen=True)
class Outcome:
    """What became of a test; `text` says why it failed."""

    task: Task
    state: Literal["done", "unchanged", "failed"]
    text: str = ""
    seconds: float = 0.0


class Children:
    """The processes under way, so that all of them can be ended at once.

    `program` is what is run with record and results folder as its arguments.
    """

    def __init__(self, program: Sequence[str] = JOB) -> None:
        self._program = tuple(program)
        self._lock = threading.Lock()
        self._running: set[subprocess.Popen[str]] = set()
        self._ended = False

    def run(self, task: Task, tell: Progress) -> Outcome:
        """Do a test unless its results are there and its inputs have not changed."""
        start = time.monotonic()
        tell("inputs", 0, 0)
        try:
            if up_to_date(task):
                return Outcome(task, "unchanged", "", time.monotonic() - start)
            failure = self._analyse(task, tell)
        except Problem as problem:
            failure = str(problem)
        spent = time.monotonic() - start
        return Outcome(task, "failed" if failure else "done", failure, spent)

    def end_all(self) -> None:
        """End every process under way and start no other."""
        with self._lock:
            self._ended = True
            for process in self._running:
                process.kill()

    def _analyse(self, task: Task, tell: Progress) -> str:
        """Analyse in a new process; why it failed, or nothing."""
        with tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace") as errors:
            with self._process(task, errors) as process:
                if process is None:
                    return "not begun"
                said = _listen(process, tell)
                code = process.wait()
            if said is not None:
                return said
            return f"{task.record}: {_last_words(code, errors)}; run `impactfilm analyse` on it."

    @contextlib.contextmanager
    def _process(self, task: Task, errors: IO[str]) -> Iterator[subprocess.Popen[str] | None]:
        """The process, which does not outlive the block; None if all were ended."""
        with self._lock:
            process = None if self._ended else _start(self._program, task, errors)
            if process is not None:
                self._running.add(process)
        try:
            yield process
        finally:
            if process is not None:
                process.kill()
                with self._lock:
                    self._running.discard(process)
                process.wait()
                for pipe in (process.stdin, process.stdout):
                    if pipe is not None:
                        pipe.close()


def run_on_worker(task: Task, program: Sequence[str]) -> Outcome:
    """Do a test in a process beside this worker, which ends with it."""
    return Children(program).run(task, silent)


def up_to_date(task: Task) -> bool:
    """Whether the results are there and were made from the inputs as they are now.

    Films at an address are taken as they were: they would have to be fetched to be compared.
    Raises `Problem` where the record is wrong.
    """
    from tracker.pipeline.verify import changed_inputs
    from tracker.record.input_digests import digests
    from tracker.record.load import load_record
    from tracker.results.json import RESULTS, read_scalars

    record = load_record(task.record)
    target = task.directory.resolve()
    try:
        if target.parent.is_dir():
            clear_leftovers(target)
        if not (target / RESULTS).is_file():
            return False
        text = (target / RESULTS).read_text(encoding="utf-8")
        made_from = read_scalars(text, str(target))["software"].inputs
        return not changed_inputs(made_from, digests(record))
    except (Problem, OSError, UnicodeDecodeError):
        return False  # the analysis will say what is wrong


def _start(program: Sequence[str], task: Task, errors: IO[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*program, str(task.record), str(task.directory)],
        stdin=subprocess.PIPE,  # closes with us, which ends the process
        stdout=subprocess.PIPE,
        stderr=errors,
        text=True,
        encoding="utf-8",
        errors="replace",
        env=os.environ | ONE_THREAD,
        start_new_session=True,  # Ctrl-C is for us: we end the others
    )


def _listen(process: subprocess.Popen[str], tell: Progress) -> str | None:
    """Pass on progress; the problem it ended with, "" if it was done, None if it did not say."""
    assert process.stdout is not None
    for line in process.stdout:
        with contextlib.suppress(ValueError, KeyError, TypeError):
            said = json.loads(line)
            if "end" in said:
                return "" if said["end"] == "done" else str(said["text"])
            tell(str(said["stage"]), int(said["done"]), int(said["total"]))
    return None


def _last_words(code: int, errors: IO[str]) -> str:
    if code < 0:
        memory = ", perhaps for want of memory" if code == -9 else ""
        return f"the analysis was ended by signal {-code}{memory}"
    errors.seek(0)
    lines = [line.strip() for line in errors if line.strip()]
    told = f" ({lines[-1][:LINE]})" if lines else ""
    return f"the analysis ended unexpectedly with status {code}{told}"
