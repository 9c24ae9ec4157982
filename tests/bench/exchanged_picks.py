"""How many marks clicked for each other `check` names, with every pair exchanged in its turn.

Run by hand: python tests/bench/exchanged_picks.py FOLDER [FOLDER ...]. Each FOLDER is what
`impactfilm demo` leaves. A camera whose targets are picked in different frames is not judged.
"""

from __future__ import annotations

import sys
from itertools import combinations
from pathlib import Path

from tracker.core.types import MarkId
from tracker.film import open_film
from tracker.pipeline.check_geometry import check_picks
from tracker.record.load import Record, load_record


def exchanges(record: Record, camera: str, size: tuple[int, int]) -> tuple[int, int]:
    """How many pairs were exchanged, and how many of them were named with both names."""
    entry = record.cameras[camera]

    def findings(picks: dict) -> list[str]:
        cameras = {**record.cameras, camera: entry.model_copy(update={"picks": picks})}
        changed = record.model_copy(update={"cameras": cameras})
        return [c.text for c in check_picks(changed, camera, size) if "look exchanged" in c.text]

    print(f"  {camera}: sound record, {len(findings(dict(entry.picks)))} findings")
    pairs = [
        (a, b)
        for a, b in combinations(entry.picks, 2)
        if MarkId.parse(a).vehicle == MarkId.parse(b).vehicle
        and entry.picks[a].frame == entry.picks[b].frame
    ]
    named = 0
    for a, b in pairs:
        texts = findings({**entry.picks, a: entry.picks[b], b: entry.picks[a]})
        named += any(a in text and b in text for text in texts)
    return len(pairs), named


def main() -> None:
    for folder in map(Path, sys.argv[1:]):
        record = load_record(folder / "record.toml")
        print(folder)
        for name, entry in record.cameras.items():
            count, named = exchanges(record, name, open_film(str(folder / entry.film)).size)
            print(f"  {name}: {named} of {count} exchanges named")


if __name__ == "__main__":
    main()
