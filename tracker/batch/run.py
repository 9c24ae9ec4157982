"""Many tests, on this machine's cores or on a Dask cluster; what is done already is left alone."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from calibration.errors import RECORD, Problem, RecordError
from tracker.batch.child_process import JOB, Children, Outcome, Task, run_on_worker
from tracker.processes.shortage import machine_problem
from tracker.results.folder import read_results
from tracker.results.series import Row, row_of

NEED = 1_000_000_000
"""Bytes of memory a test is given."""
ANSWER = "10s"  # how long a cluster may take to answer
RETRIES = 5  # how often a test is begun again that ended with its worker


class Watch(Protocol):
    """Is notified of what becomes of the tests; called from several threads."""

    def progress(self, task: Task, stage: str, done: int, total: int) -> None:
        """A test is in this stage; total 0 where it is not known."""

    def ended(self, outcome: Outcome) -> None:
        """A test is done, was done already, or failed."""


Submit = Callable[[Task], "Future[Outcome]"]
Pool = contextlib.AbstractContextManager[Submit]


def tasks_of(records: Sequence[Path]) -> tuple[Task, ...]:
    """The tests of these records, each once; results go to `results` beside the record.

    Raises `Problem` where two records would have the same results folder.
    """
    tasks: dict[Path, Task] = {}
    for record in records:
        directory = record.parent / "results"
        place = directory.resolve()
        earlier = tasks.setdefault(place, Task(record, directory))
        if earlier.record.resolve() != record.resolve():
            raise RecordError(
                f"{earlier.record} would have the same results folder",
                where=str(record),
                remedy="give each test a folder of its own",
                status=RECORD,
            )
    return tuple(tasks.values())


def batch(tasks: Sequence[Task], pool: Pool, watch: Watch) -> tuple[Outcome, ...]:
    """Do all tests; outcomes in the order of the tasks. A failed test stops no other."""
    ended: dict[Task, Outcome] = {}
    with pool as submit:
        futures = {submit(task): task for task in tasks}
        for future in as_completed(futures):
            outcome = _outcome(futures[future], future)
            ended[outcome.task] = outcome
            watch.ended(outcome)
    return tuple(ended[task] for task in tasks)


@contextlib.contextmanager
def this_machine(jobs: int, watch: Watch, program: Sequence[str] = JOB) -> Iterator[Submit]:
    """`jobs` tests at a time here, each in a process of its own that runs `program`."""
    children = Children(program)

    def run(task: Task) -> Outcome:
        def report_progress(stage: str, done: int, total: int) -> None:
            watch.progress(task, stage, done, total)

        return children.run(task, report_progress)

    with ThreadPoolExecutor(jobs) as threads:
        try:
            yield lambda task: threads.submit(run, task)
        except BaseException:
            children.end_all()
            threads.shutdown(wait=True, cancel_futures=True)
            raise


@contextlib.contextmanager
def cluster(address: str, watch: Watch, program: Sequence[str] = JOB) -> Iterator[Submit]:
    """Tests on the workers of a Dask scheduler, which see the same files under the same names.

    What is under way when the block is left runs to its end; nothing more is begun. Raises
    `Problem` where the extra is not installed or no scheduler answers.
    """
    client = _client(address)

    def submit(task: Task) -> Future[Outcome]:
        place = Task(task.record.resolve(), task.directory.resolve())
        watch.progress(task, "on the cluster", 0, 0)
        future: Future[Outcome] = executor.submit(run_on_worker, place, program)
        return future

    try:
        executor = client.get_executor(pure=False, retries=RETRIES)
        try:
            yield submit
        except BaseException:
            executor.shutdown(wait=False)
            raise
    finally:
        client.close()


def with_rows(outcomes: Sequence[Outcome]) -> tuple[tuple[Row, ...], tuple[Outcome, ...]]:
    """The series' rows of the tests that are done; results that can't be read are a failure."""
    rows, checked = [], []
    for outcome in outcomes:
        try:
            if outcome.state != "failed":
                folder = outcome.task.directory
                rows.append(row_of(read_results(folder), folder))
            checked.append(outcome)
        except Problem as problem:
            checked.append(replace(outcome, state="failed", text=str(problem)))
    return tuple(rows), tuple(checked)


def default_jobs() -> int:
    """As many tests at a time as there are cores, and as free memory has room for."""
    free = free_memory()
    room = cores() if free is None else free // NEED
    return max(1, min(cores(), room))


def cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def free_memory(
    meminfo: Path = Path("/proc/meminfo"), group: Path = Path("/sys/fs/cgroup")
) -> int | None:
    """Bytes of memory that can be had, also within the limit of a container; None: not known."""
    found = []
    with contextlib.suppress(OSError, ValueError, IndexError):
        for line in meminfo.read_text().splitlines():
            if line.startswith("MemAvailable:"):
                found.append(1024 * int(line.split()[1]))
    with contextlib.suppress(OSError, ValueError):  # "max" is: no limit
        limit = int((group / "memory.max").read_text())
        found.append(max(0, limit - int((group / "memory.current").read_text())))
    return min(found, default=None)


def _outcome(task: Task, future: Future[Outcome]) -> Outcome:
    """The outcome under the task's own names; what a pool raises is this test's failure."""
    try:
        there = future.result()
    except Exception as error:  # a lost worker, a broken connection: of any type
        short = machine_problem(error)
        why = short.what if short else f"{type(error).__name__}: {error}"
        text = f"{task.record}: this test was lost ({why})"
        return Outcome(task, "failed", f"{text}; start the batch again.")
    return Outcome(task, there.state, there.text, there.seconds)


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise RecordError(
            "a cluster needs the package `distributed`, which is not installed",
            where="--cluster",
            remedy='install it with `pip install "impactfilm[cluster]"`',
            status=RECORD,
        ) from None
    try:
        connect: Any = Client
        return connect(address, timeout=ANSWER)
    except (OSError, ValueError, TimeoutError) as error:
        raise RecordError(
            f"no Dask scheduler answers ({type(error).__name__})",
            where=f"--cluster {address}",
            remedy="give the address that the scheduler prints, as tcp://host:8786",
            status=RECORD,
        ) from None
