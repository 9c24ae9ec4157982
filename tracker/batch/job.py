"""One analysis of a batch: `python -m tracker.batch.job RECORD OUT`.

As the command line's. It reports as `tracker.processes.child.run_job` does.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tracker.core.types import Progress
from tracker.processes.child import run_job


def analyse_and_write(report_progress: Progress) -> None:
    """Analyse a record and write its results. Raises Problem."""
    from tracker.pipeline.analyse import analyse
    from tracker.pipeline.write_results import write_results
    from tracker.record.load import load_record
    from tracker.results.folder import check_own_directory

    record, directory = Path(sys.argv[1]), Path(sys.argv[2])
    check_own_directory(directory)
    write_results(
        analyse(load_record(record), report_progress), directory, report_progress, unopened=()
    )


if __name__ == "__main__":
    run_job(analyse_and_write)
