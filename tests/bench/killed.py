"""Pulls the plug: kill -9 at random moments of analyse, report and batch.

    python tests/bench/killed.py [KILLS] [EVERY]

Analyses a small demonstration test once, which gives the reference numbers and the time that each
command takes. Then KILLS (50) times one command is begun and killed at a moment drawn evenly from
that time, with all that it has started. After each kill what lies in the results folder must be
nothing, or complete and the very numbers of the reference; after every EVERY-th (5) and the last
of each command the command is run again to its end: the numbers must be the reference's and nothing
may be left beside them. Prints a line a command.

Then KILLS / 2 times each an analysis and a report whose files may not grow beyond a size drawn
between 1 kB and 1 MB, as on a full disk, and (as root only, by a user who owns nothing) in a folder
that can't be written to: the results that were there must be the reference's and nothing left.
"""

import importlib
import json
import multiprocessing
import os
import pkgutil
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import tracker.cli
import tracker.pipeline
import tracker.report
import tracker.results
import tracker.storage
from calibration.errors import Problem
from tracker.cli.main import main as command_line
from tracker.demo import Scenario, write_demo
from tracker.pipeline.analyse import analyse
from tracker.record.load import load_record
from tracker.results.folder import read_results

FORKED = multiprocessing.get_context("fork")
WATCHED = ("vehicles", "cameras", "crush", "mechanics", "cross_check", "criteria", "warnings")
FILES = ("report.html", "report.pdf", "results.h5", "log.jsonl", "motion/car.csv", "films/side.mp4")
PATIENCE = 10.0  # s that what a killed batch has started may take to end


def main():
    given = [int(text) for text in sys.argv[1:]]
    kills, every = [*given, *[50, 5][len(given) :]]
    with tempfile.TemporaryDirectory() as place:
        first = Path(place) / "first"
        write_demo(first, scenario=Scenario.quick(before=0.03, after=0.09))
        begun = Killable("analyse", str(first / "record.toml"))
        begun.process.join()
        reference = numbers(first / "results")
        shares = {"analyse": kills * 2 // 5, "report": kills * 3 // 10}
        shares["batch"] = kills - sum(shares.values())
        print(
            "| command | kills | no results then | complete then | half-written | reruns | differ |"
        )
        print("| --- | --- | --- | --- | --- | --- | --- |")
        for name, count in shares.items():
            tried = trial(name, count, every, first, Path(place) / name, reference)
            print(f"| {name} | {count} | " + " | ".join(str(n) for n in tried) + " |", flush=True)
        print("| refused | runs | ended well | gave the reason | results as before |")
        print("| --- | --- | --- | --- | --- |")
        for name, limit in (("full disk", full_disk), ("read-only folder", read_only)):
            reported = hindered(limit, kills // 2, first, Path(place) / name, reference)
            print(
                f"| {name} | {kills // 2} | " + " | ".join(str(n) for n in reported) + " |",
                flush=True,
            )


def hindered(limit, count, first, place, reference):
    """Runs that can't write: how many ended well, gave the reason, left all as it was."""
    rng = random.Random(3)
    shutil.copytree(first, place)
    place.parent.chmod(0o755)  # for the user who owns nothing
    _load_all(place)
    counts = [0, 0, 0]
    for n in range(count):
        size = int(10 ** rng.uniform(3, 6))
        what = (
            ("report", str(place / "results")) if n % 2 else ("analyse", str(place / "record.toml"))
        )
        begun = FORKED.Process(target=_hindered, args=(limit, size, what))
        begun.start()
        begun.join()
        counts[0] += begun.exitcode == 0
        counts[1] += begun.exitcode == 2
        counts[2] += not differs(place, reference)
    return counts


def _load_all(place):
    """What both commands use once in this process: the other user may not read the packages. No
    page is composed here: the threads that do it would not be there after a fork.
    """
    for package in (
        tracker.cli,
        tracker.pipeline,
        tracker.report,
        tracker.results,
        tracker.storage,
    ):
        for found in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
            if not found.name.endswith("__main__"):
                importlib.import_module(found.name)
    analyse(load_record(place / "record.toml"))


def full_disk(size):
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


def read_only(size):
    if os.getuid():
        raise SystemExit("only root can become a user who owns nothing")
    os.setgid(65534)
    os.setuid(65534)


def _hindered(limit, size, arguments):
    limit(size)
    _run(arguments)


class Killable:
    """A command in a process of its own, forked from this one, which has everything loaded."""

    def __init__(self, *arguments):
        self.process = FORKED.Process(target=_run, args=(arguments,))
        self.process.start()

    def kill(self):
        self.process.kill()
        self.process.join()


class KillableProgram:
    """A command started as a person starts it: it has processes of its own."""

    def __init__(self, *arguments):
        program = [sys.executable, "-m", "tracker.cli.main", *arguments]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self.process = subprocess.Popen(program, **quiet)

    def kill(self):
        children = descendants(self.process.pid)
        self.process.kill()
        self.process.wait()
        end = time.monotonic() + PATIENCE
        while any(alive(pid) for pid in children):
            if time.monotonic() > end:
                raise SystemExit(f"outlived the killed batch: {children}")
            time.sleep(0.02)


def _run(arguments):
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    try:
        command_line(list(arguments), standalone_mode=False)
    except Problem as problem:  # as the command line itself ends
        sys.exit(problem.status)


def trial(name, count, every, first, place, reference):
    """Kills: how often there were no results, complete ones, half-written ones; reruns, and how
    many of them gave other numbers or left something.
    """
    rng = random.Random(name)
    place.mkdir()
    folders = [place / "a", place / "b"] if name == "batch" else [place / "a"]
    for folder in folders:
        shutil.copytree(first, folder, ignore=None if name == "report" else _without_results)
    counts = [0, 0, 0, 0, 0]
    took = timed(name, folders)
    for n in range(count):
        if name != "report" and n % every == 0:
            for folder in folders:
                shutil.rmtree(folder / "results", ignore_errors=True)
        begun = start(name, folders)
        time.sleep(rng.uniform(0, took))
        begun.kill()
        for folder in folders:
            counts[state(folder / "results", reference)] += 1
        if n % every == every - 1 or n == count - 1:
            timed(name, folders)
            counts[3] += 1
            counts[4] += any(differs(folder, reference) for folder in folders)
    return counts


def start(name, folders):
    if name == "analyse":
        return Killable("analyse", str(folders[0] / "record.toml"))
    if name == "report":
        return Killable("report", str(folders[0] / "results"))
    records = [str(folder / "record.toml") for folder in folders]
    out = str(folders[0].parent / "series")
    return KillableProgram("batch", *records, "--jobs", "2", "--out", out)


def timed(name, folders):
    """Run the command to its end: s."""
    began = time.monotonic()
    running = start(name, folders).process
    (running.join if hasattr(running, "join") else running.wait)()
    return time.monotonic() - began


def state(results, reference):
    """0: no results, 1: complete ones with the reference's numbers, 2: anything else.

    As the next command finds them: what a killed run pushed aside is put back by that.
    """
    from tracker.storage.atomic_folder import clear_leftovers

    clear_leftovers(results.resolve())
    if not results.exists():
        return 0
    try:
        read_results(results)
        whole = all((results / name).stat().st_size for name in FILES)
        return 1 if whole and numbers(results) == reference else 2
    except (Problem, OSError):
        return 2


def differs(folder, reference):
    left = [p.name for p in folder.iterdir() if p.name.startswith(".")]
    return bool(left) or state(folder / "results", reference) != 1


def numbers(results):
    whole = json.loads((results / "results.json").read_text("utf-8"))
    return {name: whole[name] for name in WATCHED}


def descendants(pid):
    """Processes that this one has started, and theirs."""
    found = []
    for place in Path("/proc").iterdir():
        if place.name.isdecimal():
            try:
                parent = int((place / "stat").read_text().rsplit(")", 1)[1].split()[1])
            except (OSError, ValueError):
                continue
            if parent == pid:
                found += [int(place.name), *descendants(int(place.name))]
    return found


def alive(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"


def _without_results(folder, names):
    return [name for name in names if name == "results"]


if __name__ == "__main__":
    main()
