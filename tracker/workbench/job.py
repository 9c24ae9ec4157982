"""One analysis in a process of its own: `python -m tracker.workbench.job RECORD OUT`.

Says one JSON object a line: {"stage", "done", "total"}, and last {"end": "done"} or {"end":
"problem", "what", "where", "remedy"}. It ends when its standard input is closed, so that it does
not outlive the workbench.
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
from tracker.core.types import Progress

INTERVAL = 0.1
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
        from tracker.workbench.disk_cache import cache_folder
        from tracker.workbench.stage_cache import Seen, Solved

        check_directory(directory)
        told = _telling()
        place = cache_folder()
        results = analyse(load_record(record), told, Seen(place), Solved(place))
        write_results(results, directory, told)
        _say(end="done")
    except Problem as problem:
        _say(end="problem", what=problem.what, where=problem.where, remedy=problem.remedy)


def _telling() -> Progress:
    said: dict[str, float] = {}
    lock = threading.Lock()

    def tell(stage: str, done: int, total: int) -> None:
        now = time.monotonic()
        with lock:
            if done == total or now - said.get(stage, -1.0) >= INTERVAL:
                said[stage] = now
                _say(stage=stage, done=done, total=total)

    return tell


def _say(**what: Any) -> None:
    sys.stdout.write(json.dumps(what) + "\n")
    sys.stdout.flush()


def _end_with_parent() -> None:
    while os.read(sys.stdin.fileno(), 4096):  # unbuffered, so that the end need not wait for it
        pass
    os._exit(1)


if __name__ == "__main__":
    main()
