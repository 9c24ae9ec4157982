"""A test analysed in a process of its own: what happens to that process stops no other test."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from calibration.errors import Problem
from calibration.files import read_bounded
from tracker.core.types import Progress, silent
from tracker.processes.supervisor import JobProcess
from tracker.storage.atomic_folder import clear_leftovers

ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
"""Many tests at a time fill the cores without threads of their own."""
JOB = (sys.executable, "-m", "tracker.batch.job")


@dataclass(frozen=True)
class Task:
    """A test to be done: its record, and where its results go."""

    record: Path
    directory: Path


@dataclass(frozen=True)
class Outcome:
    """What became of a test; `text`: why it failed."""

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
        self._running: set[JobProcess] = set()
        self._ended = False

    def run(self, task: Task, report_progress: Progress) -> Outcome:
        """Do a test unless its results are there and its inputs have not changed."""
        start = time.monotonic()
        report_progress("inputs", 0, 0)
        try:
            if is_up_to_date(task):
                return Outcome(task, "unchanged", "", time.monotonic() - start)
            failure = self._failure(task, report_progress)
        except Problem as problem:
            failure = str(problem)
        seconds = time.monotonic() - start
        return Outcome(task, "failed" if failure else "done", failure, seconds)

    def end_all(self) -> None:
        """End every process under way and start no other."""
        with self._lock:
            self._ended = True
            for process in self._running:
                process.kill()

    def _failure(self, task: Task, report_progress: Progress) -> str:
        """Analyse in a new process; why it failed, or nothing."""
        with self._process(task) as process:
            if process is None:
                return "not begun"
            problem = process.failure(report_progress)
            return "" if problem is None else str(problem)

    @contextlib.contextmanager
    def _process(self, task: Task) -> Iterator[JobProcess | None]:
        """The process, which does not outlive the block; None if all were ended."""
        command = [*self._program, str(task.record), str(task.directory)]
        with self._lock:
            process = None if self._ended else JobProcess(command, task.record, ONE_THREAD)
            if process is not None:
                self._running.add(process)
        try:
            yield process
        finally:
            if process is not None:
                with self._lock:
                    self._running.discard(process)
                process.close()


def run_on_worker(task: Task, program: Sequence[str]) -> Outcome:
    """Do a test in a process beside this worker, which ends with it."""
    return Children(program).run(task, silent)


def is_up_to_date(task: Task) -> bool:
    """Whether the results are there and were made from the inputs as they are now.

    Films at an address are taken as they were: they would have to be fetched to be compared.
    Raises `Problem` where the record is wrong.
    """
    from tracker.pipeline.verify import changed_inputs
    from tracker.record.input_digests import digests
    from tracker.record.load import load_record
    from tracker.results.folder import TEXT_LIMIT
    from tracker.results.json import RESULTS, read_scalars

    record = load_record(task.record)
    target = task.directory.resolve()
    try:
        if target.parent.is_dir():
            clear_leftovers(target)
        if not (target / RESULTS).is_file():
            return False
        data = read_bounded(target / RESULTS, TEXT_LIMIT, where=str(target), remedy="")
        made_from = read_scalars(data.decode("utf-8"), str(target))["software"].inputs
        return not changed_inputs(made_from, digests(record))
    except (Problem, OSError, UnicodeDecodeError):
        return False  # the analysis will report what is wrong
