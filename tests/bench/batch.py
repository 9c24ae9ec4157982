"""How much faster many tests are on more processes, and what a lost worker costs.

    python tests/bench/batch.py [TESTS] [JOBS]
    python tests/bench/batch.py FOLDER

Writes TESTS (24) copies of a small demonstration test and analyses them one at a time and JOBS (2)
at a time; with the extra `cluster` also on that many Dask workers, one of them killed half-way.
Prints wall time, speed-up, processor time of a test, and the largest memory of a process.

With the FOLDER of a test instead: what a copy of it costs, and from that what 10,000 such tests
would take on 100 machines of 2 cores, by their processors and by the line to their common store.
"""

import os
import resource
import shutil
import signal
import sys
import tempfile
import threading
import time
from importlib.util import find_spec
from pathlib import Path

from tracker.batch.child_process import Task
from tracker.batch.run import batch, cluster, this_machine
from tracker.demo import Scenario, write_demo


class Quiet:
    """A watch that counts."""

    def __init__(self):
        self.count = 0

    def progress(self, task, stage, done, total):
        pass

    def ended(self, outcome):
        self.count += 1
        if outcome.state == "failed":
            print(outcome.text)


def timed(tasks, pool, watch):
    for task in tasks:
        shutil.rmtree(task.directory, ignore_errors=True)
    start = time.perf_counter()
    outcomes = batch(tasks, pool, watch)
    spent = time.perf_counter() - start
    return spent, sum(outcome.state == "done" for outcome in outcomes)


def on_workers(tasks, jobs):
    """All tests on a cluster of this machine, a worker killed when half of them are done."""
    from distributed import LocalCluster

    with LocalCluster(jobs, threads_per_worker=1, dashboard_address=None) as local:
        watch = Quiet()
        victim = next(iter(local.workers.values())).process.pid

        def kill():
            while watch.count < len(tasks) // 2:
                time.sleep(0.2)
            os.kill(victim, signal.SIGKILL)

        threading.Thread(target=kill, daemon=True).start()
        return timed(tasks, cluster(local.scheduler_address, watch), watch)


def processor_time():
    """s of user and system in processes that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def cost(folder):
    """Print what one test costs, and many of them."""
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / "test"
        shutil.copytree(folder, copy, ignore=shutil.ignore_patterns("results", ".*"))
        task = Task(copy / "record.toml", copy / "results")
        timed([task], this_machine(1, Quiet()), Quiet())  # compiles what is kept on disk
        before = processor_time()
        wall, done = timed([task], this_machine(1, Quiet()), Quiet())
        used = processor_time() - before
        taken, given = size(copy) - size(copy / "results"), size(copy / "results")
    print(f"{done} of 1 done: {wall:.1f} s, {used:.1f} s of processors")
    print(f"{taken / 1e6:.0f} MB read, {given / 1e6:.0f} MB written")
    print(f"10,000 tests, 100 machines of 2 cores: processors {used * 10_000 / 200 / 60:.0f} min")
    for name, rate in (("1 Gbit/s", 1.25e8), ("10 Gbit/s", 1.25e9)):
        once, twice = ((k * taken + given) * 10_000 / rate / 60 for k in (1, 2))
        print(f"store with {name}: {once:.0f} min, films read twice {twice:.0f} min")


def size(folder):
    return sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())


def main():
    if len(sys.argv) == 2 and Path(sys.argv[1]).is_dir():
        cost(Path(sys.argv[1]))
        return
    numbers = [int(text) for text in sys.argv[1:]]
    count, jobs = [*numbers, *[24, 2][len(numbers) :]]
    with tempfile.TemporaryDirectory() as place:
        first = Path(place) / "0"
        write_demo(first, scenario=Scenario.quick())
        folders = [first, *(Path(place) / str(n) for n in range(1, count))]
        for folder in folders[1:]:
            shutil.copytree(first, folder)
        tasks = [Task(folder / "record.toml", folder / "results") for folder in folders]
        timed(tasks[:1], this_machine(1, Quiet()), Quiet())  # compiles what is kept on disk
        before = processor_time()
        alone, done = timed(tasks, this_machine(1, Quiet()), Quiet())
        used = (processor_time() - before) / count
        print(f"1 at a time: {alone:.1f} s, {done} of {count} done, {used:.1f} s of processor each")
        together, done = timed(tasks, this_machine(jobs, Quiet()), Quiet())
        speed = alone / together
        print(
            f"{jobs} at a time: {together:.1f} s, {done} of {count} done, {speed:.2f} times faster"
        )
        if find_spec("distributed"):
            spent, done = on_workers(tasks, jobs)
            print(f"{jobs} workers, one killed: {spent:.1f} s, {done} of {count} done")
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
        print(f"largest process: {peak / 1e6:.2f} GB")


if __name__ == "__main__":
    main()
