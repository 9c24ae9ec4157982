"""Many tests: what happens to one stops no other, and what is done is not done again."""

import io
import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from rich.console import Console

from calibration.errors import Problem
from tests.support.made_results import made_results
from tests.support.record_text import RECORD_TEXT
from tracker.batch.child_process import JOB, Children, Outcome, Task, is_up_to_date
from tracker.batch.run import (
    batch,
    cores,
    default_jobs,
    free_memory,
    tasks_of,
    this_machine,
    with_rows,
)
from tracker.cli.batch import Lines, show_outcomes
from tracker.cli.main import main
from tracker.record.input_digests import digests
from tracker.record.load import load_record
from tracker.results.folder import write_data


class Listener:
    """A watch that remembers."""

    def __init__(self):
        self.stages, self.outcomes = [], []

    def progress(self, task, stage, done, total):
        self.stages.append((task, stage, done, total))

    def ended(self, outcome):
        self.outcomes.append(outcome)


def a_test(folder, number="A-1"):
    """A test whose film is no film."""
    folder.mkdir()
    (folder / "side.mp4").write_bytes(b"no film")
    (folder / "record.toml").write_text(RECORD_TEXT.format(number=number))
    return Task(folder / "record.toml", folder / "results")


def done(task):
    """Results of the test from its inputs as they are."""
    task.directory.mkdir()
    results = made_results()
    inputs = digests(load_record(task.record))
    write_data(replace(results, software=replace(results.software, inputs=inputs)), task.directory)


def program(text):
    """A program that is run in place of an analysis; `record` is its first argument."""
    head = "import json, os, signal, sys, time\nrecord = sys.argv[1]\n"
    return (sys.executable, "-I", "-c", head + textwrap.dedent(text))


def tasks_in(place, *names):
    return [a_test(place / name, name) for name in names]


def test_what_one_process_does_to_itself_stops_no_other(tmp_path):
    odd = program("""
        print(json.dumps({"stage": "motion", "done": 1, "total": 2}), flush=True)
        if "crash" in record: os.kill(os.getpid(), signal.SIGSEGV)
        if "bug" in record: raise ZeroDivisionError("speed over nothing")
        if "chatter" in record: print("libfilm: 3 warnings"); print("{}")
        missing = {"what": "no film", "where": "side", "remedy": "add"}
        if "film" in record: print(json.dumps({"problem": missing}))
        else: print(json.dumps({"end": "done"}))
    """)
    listener = Listener()
    tasks = tasks_in(tmp_path, "crash", "good", "bug", "film", "chatter")

    outcomes = batch(tasks, this_machine(2, listener, odd), listener)

    assert [o.task for o in outcomes] == tasks
    assert [o.state for o in outcomes] == ["failed", "done", "failed", "failed", "done"]
    assert f"signal {signal.SIGSEGV:d}" in outcomes[0].text
    assert "ZeroDivisionError: speed over nothing" in outcomes[2].text
    assert outcomes[3].text == "side: no film; add."
    assert sorted(listener.outcomes, key=lambda o: tasks.index(o.task)) == list(outcomes)
    assert {
        t for t, stage, *numbers in listener.stages if (stage, *numbers) == ("motion", 1, 2)
    } == (set(tasks))


def test_no_more_run_at_a_time_than_asked(tmp_path):
    counted = program(f"""
        place = {str(tmp_path)!r} + "/" + str(os.getpid()) + ".on"
        open(place, "w").close()
        time.sleep(0.1)
        alive = sum(name.endswith(".on") for name in os.listdir({str(tmp_path)!r}))
        os.remove(place)
        print(json.dumps({{"problem": {{"what": str(alive), "where": "", "remedy": ""}}}}))
    """)
    outcomes = batch(
        tasks_in(tmp_path, *"abcdef"), this_machine(2, Listener(), counted), Listener()
    )

    assert all(int(o.text.split(":")[1].split(";")[0]) <= 2 for o in outcomes)


def test_an_interruption_ends_what_is_under_way_and_starts_no_other(tmp_path):
    sleeper = program(f"""
        if "first" in record: print(json.dumps({{"end": "done"}})); sys.exit()
        open({str(tmp_path)!r} + "/" + str(os.getpid()) + ".pid", "w").close()
        time.sleep(60)
    """)

    class Interrupts(Listener):
        def ended(self, outcome):
            while not list(tmp_path.glob("*.pid")):
                time.sleep(0.01)
            raise KeyboardInterrupt

    tasks = tasks_in(tmp_path, "first", "second", "third", "fourth")
    start = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        batch(tasks, this_machine(2, Listener(), sleeper), Interrupts())

    assert time.monotonic() - start < 20
    for mark in tmp_path.glob("*.pid"):
        with pytest.raises(ProcessLookupError):
            os.kill(int(mark.stem), 0)


def test_nothing_is_begun_once_all_were_ended(tmp_path):
    begun = tmp_path / "begun"
    children = Children(program(f'open({str(begun)!r}, "w").close()'))
    children.end_all()

    assert children.run(a_test(tmp_path / "a"), lambda *_: None).text == "not begun"
    assert not begun.exists()


def test_an_analysis_does_not_outlive_who_started_it(tmp_path):
    task = a_test(tmp_path / "a")
    command = [*JOB, str(task.record), str(task.directory)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL) as process:
        process.stdin.close()
        assert process.wait(30) == 1
    assert not task.directory.exists()


def test_what_was_made_from_the_same_inputs_is_left_alone(tmp_path):
    task = a_test(tmp_path / "a")
    assert not is_up_to_date(task)
    done(task)

    never = this_machine(1, Listener(), program("raise AssertionError"))
    (outcome,) = batch([task], never, Listener())

    assert outcome.state == "unchanged"


@pytest.mark.parametrize("name", ["record.toml", "side.mp4", "results/results.json"])
def test_what_changed_since_is_done_again(tmp_path, name):
    task = a_test(tmp_path / "a")
    done(task)
    with (tmp_path / "a" / name).open("a") as file:
        file.write("# more")

    assert not is_up_to_date(task)


def test_results_pushed_aside_by_a_killed_run_are_found(tmp_path):
    task = a_test(tmp_path / "a")
    done(task)
    task.directory.rename(tmp_path / "a" / ".results.old.x1")

    assert is_up_to_date(task)


def test_two_records_in_one_folder_are_refused():
    with pytest.raises(Problem, match="same results folder"):
        tasks_of([Path("t/a.toml"), Path("t/b.toml")])


def test_a_record_named_twice_is_one_test(tmp_path):
    task = a_test(tmp_path / "a")
    twice = [task.record, tmp_path / "a" / ".." / "a" / "record.toml"]
    assert tasks_of(twice) == (task,)


def test_memory_bounds_the_number_of_tests(tmp_path):
    meminfo = tmp_path / "meminfo"
    meminfo.write_text("MemTotal: 9000000 kB\nMemAvailable:    4000000 kB\n")

    assert free_memory(meminfo, tmp_path) == 4096000000
    (tmp_path / "memory.max").write_text("3000000000\n")
    (tmp_path / "memory.current").write_text("1000000000\n")
    assert free_memory(meminfo, tmp_path) == 2000000000
    (tmp_path / "memory.max").write_text("max\n")
    assert free_memory(meminfo, tmp_path) == 4096000000
    assert free_memory(tmp_path / "none", tmp_path) is None
    assert 1 <= default_jobs() <= cores()


@contextmanager
def broken_pool():
    """A pool whose workers are lost."""
    from concurrent.futures import Future

    def submit(task):
        future = Future()
        future.set_exception(ConnectionError("worker gone"))
        return future

    yield submit


def test_a_lost_worker_is_that_tests_failure(tmp_path):
    (outcome,) = batch(tasks_in(tmp_path, "a"), broken_pool(), Listener())

    assert outcome.state == "failed"
    assert "worker gone" in outcome.text


def test_results_that_can_not_be_read_are_a_failure_not_an_end(tmp_path):
    good, bad = a_test(tmp_path / "a"), a_test(tmp_path / "b")
    done(good)

    rows, outcomes = with_rows([Outcome(good, "done"), Outcome(bad, "done")])

    assert [row.number for row in rows] == ["K-07"]
    assert [o.state for o in outcomes] == ["done", "failed"]


def test_the_command_does_the_others_and_says_what_failed(tmp_path):
    ready, broken = a_test(tmp_path / "a"), a_test(tmp_path / "b")
    done(ready)
    missing = tmp_path / "c" / "record.toml"
    series = tmp_path / "series"
    records = [str(ready.record), str(broken.record), str(missing)]

    run = CliRunner().invoke(main, ["batch", *records, "--jobs", "2", "--out", str(series)])

    assert run.exit_code == 3, run.output
    assert "1 unchanged, 2 failed" in run.stdout
    assert "Traceback" not in run.output
    assert "side.mp4" in run.stderr
    assert not broken.directory.exists()
    assert (series / "series.html").is_file()
    assert json.loads((ready.directory / "results.json").read_text())["test"]["number"] == "K-07"


def test_a_cluster_without_the_extra_is_one_sentence(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)  # as if it were not installed
    task = a_test(tmp_path / "a")
    run = CliRunner().invoke(
        main, ["batch", str(task.record), "--cluster", "tcp://x:1", "--out", str(tmp_path / "s")]
    )
    assert run.exit_code == 2
    assert "impactfilm[cluster]" in run.stderr


def test_jobs_and_a_cluster_exclude_each_other(tmp_path):
    run = CliRunner().invoke(main, ["batch", "a", "--cluster", "x", "--jobs", "2"])
    assert run.exit_code == 2


def test_every_test_has_its_line():
    task, other = Task(Path("a/[red].toml"), Path("r")), Task(Path("b/r.toml"), Path("r"))
    console = Console(file=io.StringIO(), width=60, record=True)
    with Lines(2, console) as lines:
        lines.progress(task, "motion", 1, 4)
        lines.ended(Outcome(task, "done", "", 3.2))
        lines.ended(Outcome(other, "failed", "b: no film; add it.", 0.1))
    show_outcomes([Outcome(task, "done"), Outcome(other, "failed", "b: no film; add it.")], console)

    text = console.export_text()
    assert "done          3.2 s  a/[red].toml" in text
    assert text.count("b: no film; add it.") == 2
    assert text.count("b/r.toml: b: no film") == 2  # which test it is
    assert "2 tests: 1 done, 0 unchanged, 1 failed" in text
