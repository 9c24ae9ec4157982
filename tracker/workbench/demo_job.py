"""A demonstration test in a process of its own: `python -m tracker.workbench.demo_job FOLDER KIND`.

It reports as `tracker.processes.child.run_job` does.
"""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path

from tracker.core.types import Progress
from tracker.processes.child import run_job

SCENARIOS = {
    "car into a crush cushion": "cushion",
    "pickup into a rail": "barrier",
    "car into a breakaway pole": "pole",
}
"""What the first page offers, and the command line's word for it."""


def write(folder: Path, kind: str, report_progress: Progress) -> None:
    """Write the demonstration of this kind into a folder."""
    from tracker.demo import write_demo, write_pole, write_roadside

    if kind == "barrier":
        write_roadside(folder, report_progress)
    elif kind == "pole":
        write_pole(folder, report_progress)
    else:
        write_demo(folder, report_progress)


if __name__ == "__main__":
    run_job(partial(write, Path(sys.argv[1]), sys.argv[2]))
