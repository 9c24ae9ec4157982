"""One analysis in a process of its own: `python -m tracker.batch.job RECORD OUT`.

Says one JSON object a line on standard output: {"stage", "done", "total"}, and last {"end": "done"}
or {"end": "problem", "text"}. It ends when its standard input is closed, so that it does not
outlive who started it.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from pathlib import Path
from typing import Any

from calibration.errors import Problem

INTERVAL = 0.2
"""s between two words about the same stage."""


def main() -> None:
    """Analyse a record and write its results, as the command line does."""
    record, directory = Path(sys.argv[1]), Path(sys.argv[2])
    threading.Thread(target=_end_with_parent, daemon=True).start()
    try:
        from tracker.pipeline.analyse import analyse
        from tracker.pipeline.write_results import write_results
        from tracker.record.load import load_record
        from tracker.results.folder import check_directory

        tell = Told()
        check_directory(directory)
        write_results(analyse(load_record(record), tell.progress), directory, tell.progress)
        _say(end="done")
    except Problem as problem:
        _say(end="problem", text=str(problem))


class Told:
    """Progress that is said at most every `INTERVAL`, and when a stage ends."""

    def __init__(self) -> None:
        self._said: dict[str, float] = {}
        self._lock = threading.Lock()

    def progress(self, stage: str, done: int, total: int) -> None:
        """A `tracker.values.Progress`."""
        now = time.monotonic()
        with self._lock:
            if done == total or now - self._said.get(stage, -INTERVAL) >= INTERVAL:
                self._said[stage] = now
                _say(stage=stage, done=done, total=total)


def _say(**what: Any) -> None:
    sys.stdout.write(json.dumps(what) + "\n")
    sys.stdout.flush()


def _end_with_parent() -> None:
    while os.read(sys.stdin.fileno(), 4096):
        pass
    os._exit(1)


if __name__ == "__main__":
    main()
