"""Many tests on a Dask cluster of two worker processes on this machine."""

import os
import signal
import sys
import threading
import time

import pytest

from calibration.errors import Problem
from tests.support.record_text import RECORD_TEXT
from tracker.batch.child_process import Task
from tracker.batch.run import batch, cluster

distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("default"),  # the package's own
]

PROGRAM = """
import json, os, sys, time
open(os.path.join(os.path.dirname(sys.argv[1]), f"{os.getpid()}.begun"), "w").close()
time.sleep(0.4)
print(json.dumps({"end": "done"}))
"""


class Listener:
    def progress(self, task, stage, done, total):
        pass

    def ended(self, outcome):
        pass


@pytest.fixture(scope="module")
def workers():
    with distributed.LocalCluster(2, threads_per_worker=1, dashboard_address=None) as local:
        yield local


@pytest.fixture
def tasks(tmp_path):
    made = []
    for name in "abcdef":
        folder = tmp_path / name
        folder.mkdir()
        (folder / "record.toml").write_text(RECORD_TEXT.format(number="A-1"))
        (folder / "side.mp4").write_bytes(b"no film")
        made.append(Task(folder / "record.toml", folder / "results"))
    return made


def test_all_tests_finish_though_a_worker_is_killed(workers, tasks):
    program = (sys.executable, "-I", "-c", PROGRAM)
    pids = [worker.process.pid for worker in workers.workers.values()]

    def kill_one():
        while not any(p for task in tasks for p in task.record.parent.glob("*.begun")):
            time.sleep(0.02)
        os.kill(pids[0], signal.SIGKILL)

    killer = threading.Thread(target=kill_one)
    killer.start()
    outcomes = batch(tasks, cluster(workers.scheduler_address, Listener(), program), Listener())
    killer.join()

    assert [o.task for o in outcomes] == tasks
    assert {o.state for o in outcomes} == {"done"}


def test_a_film_that_is_none_is_that_tests_failure(workers, tasks):
    refused = (
        "import json; print(json.dumps("
        '{"problem": {"what": "no film", "where": "side", "remedy": "add it"}}))'
    )
    program = (sys.executable, "-I", "-c", refused)
    (outcome,) = batch(
        tasks[:1], cluster(workers.scheduler_address, Listener(), program), Listener()
    )

    assert (outcome.state, outcome.text) == ("failed", "side: no film; add it.")


def test_an_address_where_nobody_answers_is_one_sentence(tasks):
    with pytest.raises(Problem, match="no Dask scheduler answers"):
        batch(tasks, cluster("no-scheme://x", Listener()), Listener())
