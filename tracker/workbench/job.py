"""The workbench's analysis: `python -m tracker.workbench.job RECORD OUT`.

As the command line's, but what did not change since the last one is not computed again, and a
person who waits at the page gets the headline numbers and then the results folder before report
and marked films are done. It reports as `tracker.processes.child.run_job` does.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tracker.core.types import Progress
from tracker.processes.child import announce_result, run_job


def analyse_and_write(report_progress: Progress) -> None:
    """Analyse a record and write its results. Raises Problem."""
    from tracker.pipeline.analyse import analyse
    from tracker.pipeline.write_results import write_results_in_steps
    from tracker.record.load import load_record
    from tracker.results.folder import check_directory
    from tracker.results.headline import Headline, headline_cells, headline_rows
    from tracker.workbench.stage_cache import CachedCalibration, CachedSolution
    from tracker.workbench.user_folders import cache_folder

    record, directory = Path(sys.argv[1]), Path(sys.argv[2])
    check_directory(directory)
    place = cache_folder()
    calibrate, solve = CachedCalibration(place), CachedSolution(place)

    def show_headline(headline: Headline) -> None:
        rows = headline_rows(headline.vehicles, headline.crush)
        cells = headline_cells(rows, headline.report_units)
        announce_result({"headline": {"draws": headline.draws, "rows": cells}})

    results = analyse(load_record(record), report_progress, calibrate, solve, show_headline)
    write_results_in_steps(results, directory, report_progress)


if __name__ == "__main__":
    run_job(analyse_and_write)
