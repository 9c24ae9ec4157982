"""Feeds every reader with files made wrong, and counts what becomes of them.

    python tests/bench/fuzz.py MINUTES [READER ...] [--seed N] [--keep FOLDER]

Each reader takes turns in a process of its own, so that one that crashes, hangs (20 s) or takes
more than 3 GB of memory ends only itself. Valid files are wounded (bytes flipped, cut, spliced,
numbers made absurd), and trees of tables get odd values, keys and places. Prints for each reader
how many files were read, refused with a `Problem`, and what broke; files that broke something
are kept in FOLDER with their traceback.
"""

from __future__ import annotations

import argparse
import faulthandler
import json
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

from calibration.errors import Problem
from tests.bench.fuzz_readers import READERS

SLICE = 20.0  # s of a turn
HANG = 20.0  # s for one file
MEMORY = 3_000_000_000
SLOWEST = "slowest, s"


def main() -> None:
    asked = _arguments()
    if asked.turn:
        _turn(asked.readers[0], asked.seed, asked.turn, asked.folder)
        return
    counts = {name: Counter() for name in asked.readers or READERS}
    end = time.monotonic() + 60 * asked.minutes
    seed = asked.seed
    asked.keep.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        while time.monotonic() < end:
            for name in counts:
                seed += 1
                length = min(SLICE, 60 * asked.minutes / len(counts))
                _watch(name, seed, length, Path(place), counts[name], asked.keep)
    _print(counts)
    broken = sum(n for found in counts.values() for what, n in found.items() if _bad(what))
    sys.exit(1 if broken else 0)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("minutes", type=float)
    parser.add_argument("readers", nargs="*", choices=[*READERS, []])
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--keep", type=Path, default=Path("fuzz-failures"))
    parser.add_argument("--turn", type=float, default=0.0, help="(a turn of one reader)")
    parser.add_argument("--folder", type=Path, help="(where a turn works)")
    return parser.parse_args()


def _watch(
    name: str, seed: int, length: float, place: Path, counts: Counter[str], keep: Path
) -> None:
    """One turn of a reader; what became of it is added to `counts`."""
    command = [sys.executable, __file__, "0", name, "--seed", str(seed)]
    command += ["--turn", str(length), "--folder", str(place), "--keep", str(keep)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as child:
        out, errors = child.communicate()
    for line in out.decode().splitlines():
        counted = json.loads(line)
        slowest = max(counts[SLOWEST], counted.pop(SLOWEST))
        counts.update(counted)
        counts[SLOWEST] = slowest
    if child.returncode:
        hung = b"Timeout" in errors
        what = "hung" if hung else f"ended by {child.returncode}"
        counts[what] += 1
        found = place / "current"
        if found.exists():
            (keep / f"{name}-{seed}.{'hung' if hung else 'crash'}").write_bytes(found.read_bytes())
        (keep / f"{name}-{seed}.txt").write_bytes(errors)


def _turn(name: str, seed: int, length: float, place: Path) -> None:
    """Feed one reader for some seconds, and report every second what came of it."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    warnings.simplefilter("error")
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory(dir=place) as work:
        make, read = READERS[name](Path(work))
        keep = _arguments().keep
        current = place / "current"
        counts: Counter[str] = Counter()
        slowest, reported = 0.0, time.monotonic()
        end = reported + length
        while time.monotonic() < end:
            data = make(rng)
            current.write_bytes(data)
            faulthandler.dump_traceback_later(HANG, exit=True)
            start = time.monotonic()
            counts[_outcome(read, data, keep, name)] += 1
            slowest = max(slowest, time.monotonic() - start)
            faulthandler.cancel_dump_traceback_later()
            if time.monotonic() - reported > 1.0:
                reported = time.monotonic()
                _tell(counts, slowest)
                counts.clear()
        _tell(counts, slowest)


def _outcome(read: Callable[[bytes], None], data: bytes, keep: Path, name: str) -> str:
    try:
        read(data)
    except Problem as problem:
        text = str(problem)
        fine = 0 < len(problem.what) < 600 and problem.status in (2, 3) and "Traceback" not in text
        return "refused" if fine else _kept(f"unclear {text[:60]!r}", data, keep, name, text)
    except Exception as error:
        at = traceback.extract_tb(error.__traceback__)[-1]
        what = f"{type(error).__name__} at {Path(at.filename).name}:{at.lineno}"
        return _kept(what, data, keep, name, traceback.format_exc())
    return "read"


def _kept(what: str, data: bytes, keep: Path, name: str, reported: str) -> str:
    place = keep / f"{name}-{''.join(c if c.isalnum() else '_' for c in what)[:80]}"
    if not place.exists():
        place.write_bytes(data)
        place.with_name(place.name + ".txt").write_text(reported, encoding="utf-8")
    return what


def _tell(counts: Counter[str], slowest: float) -> None:
    sys.stdout.write(json.dumps({**counts, SLOWEST: slowest}) + "\n")
    sys.stdout.flush()


def _bad(what: str) -> bool:
    return what not in ("read", "refused", SLOWEST)


def _print(counts: dict[str, Counter[str]]) -> None:
    print("| reader | files | read | refused | broke | slowest, s |")
    print("| --- | --- | --- | --- | --- | --- |")
    for line in _lines(counts):
        print("| " + " | ".join(line) + " |")
    for name, found in counts.items():
        for what, number in found.items():
            if _bad(what):
                print(f"{name}: {number} x {what}")


def _lines(counts: dict[str, Counter[str]]) -> Iterator[tuple[str, ...]]:
    whole: Counter[str] = Counter()
    for name, found in [*counts.items(), ("all", whole)]:
        broke = sum(n for what, n in found.items() if _bad(what))
        files = found["read"] + found["refused"] + broke
        numbers = (files, found["read"], found["refused"], broke)
        yield (name, *(f"{n:,}" for n in numbers), f"{found[SLOWEST]:.2f}")
        for what, number in found.items():
            whole[what] = max(whole[what], number) if what == SLOWEST else whole[what] + number


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    main()
