"""Whether two results folders hold the same numbers: for changes that must not move any.

    python tests/bench/same_numbers.py BEFORE AFTER [RELATIVE]

Compares results.json and every CSV file of both folders, number by number, and prints the largest
relative difference and the first places where it exceeds RELATIVE (default 1e-9). Words count too;
sentences, entries that only AFTER has, versions and paths of inputs do not. Exit status 1 where
anything differs. Reads the files by itself, so that it can compare folders of versions that know
nothing of each other.
"""

from __future__ import annotations

import csv
import json
import math
import sys
from collections.abc import Iterator
from pathlib import Path

LEFT_OUT = ("software.version", "software.inputs", "test.photographs", "test.slow_motion")
SHOWN = 20


def main() -> int:
    before, after = Path(sys.argv[1]), Path(sys.argv[2])
    allowed = float(sys.argv[3]) if len(sys.argv) > 3 else 1e-9
    old, new = dict(entries(before)), dict(entries(after))
    off = [(place, old.get(place), new.get(place)) for place in sorted({*old, *new})]
    sizes = [(difference(a, b), place, a, b) for place, a, b in off]
    added = [place for place in new if place not in old]
    reworded = [place for _, place, a, b in sizes if a != b and _sentence(a) and _sentence(b)]
    passed = {*added, *reworded}
    wrong = [entry for entry in sizes if entry[0] > allowed and entry[1] not in passed]
    for size, place, a, b in wrong[:SHOWN]:
        print(f"{place}: {a!r} before, {b!r} after ({size:.1e})")
    print(f"not counted: {len(added)} new entries, {len(reworded)} sentences worded otherwise")
    finite = [size for size, *_ in sizes if math.isfinite(size)]
    largest = max(finite, default=0.0)
    print(
        f"{len(sizes)} entries, {len(wrong)} beyond {allowed:g}; largest difference {largest:.1e}"
    )
    return int(bool(wrong) or not sizes)


def entries(folder: Path) -> Iterator[tuple[str, object]]:
    """Every value of a results folder by its place."""
    data = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    yield from _leaves("", data)
    for file in sorted(folder.rglob("*.csv")):
        if "iso13499" in file.parts:
            continue
        with file.open(encoding="utf-8", newline="") as lines:
            rows = list(csv.reader(lines))
        for r, row in enumerate(rows):
            for c, cell in enumerate(row):
                yield f"{file.relative_to(folder)}:{r + 1}:{rows[0][c]}", _value(cell)


def _leaves(place: str, value: object) -> Iterator[tuple[str, object]]:
    if any(place.startswith(name) for name in LEFT_OUT):
        return
    if isinstance(value, dict):
        for key, part in value.items():
            yield from _leaves(f"{place}.{key}" if place else key, part)
    elif isinstance(value, list):
        for i, part in enumerate(value):
            yield from _leaves(f"{place}.{i}", part)
    else:
        yield place, value


def _sentence(value: object) -> bool:
    return isinstance(value, str) and " " in value


def _value(cell: str) -> object:
    try:
        return float(cell)
    except ValueError:
        return cell


def difference(a: object, b: object) -> float:
    """Relative difference of two numbers; 0 for equal texts, infinite for different ones."""
    numbers = all(isinstance(x, (int, float)) and not isinstance(x, bool) for x in (a, b))
    if not numbers:
        return 0.0 if a == b else math.inf
    x, y = float(a), float(b)  # type: ignore[arg-type]
    if x == y or (math.isnan(x) and math.isnan(y)):
        return 0.0
    return abs(x - y) / max(abs(x), abs(y), 1e-9)


if __name__ == "__main__":
    raise SystemExit(main())
