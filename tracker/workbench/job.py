"""The workbench's analysis: `python -m tracker.workbench.job` loads what it needs, then waits on
standard input for {"record", "directory"} in one line.

As the command line's, but what did not change since the last one is not computed again, and a
person who waits at the page gets the headline numbers and then the results folder before report
and marked films are done. It reports as `tracker.processes.child.run_job` does.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

from calibration.errors import Problem
from tracker.core.types import Progress
from tracker.processes.child import announce_result, question_from_parent, run_job

Cells = tuple[str, str, str, str]
"""Label, value, u and unit of a headline number, as text."""


def load() -> None:
    """Load what an analysis needs."""
    from tracker.storage.hashing import program
    from tracker.workbench.warm import warm

    program()
    warm()


def analyse_and_write(record: Path, directory: Path, report_progress: Progress) -> None:
    """Analyse a record and write its results. Raises Problem."""
    from tracker.pipeline.analyse import analyse
    from tracker.pipeline.write_results import write_results_in_steps
    from tracker.record.load import load_record
    from tracker.results.folder import check_own_directory
    from tracker.results.headline import Headline, headline_cells, headline_of, headline_rows
    from tracker.workbench.stage_cache import CachedCalibration, CachedSolution
    from tracker.workbench.user_folders import cache_folder

    check_own_directory(directory)
    place = cache_folder()
    calibrate, solve = CachedCalibration(place), CachedSolution(place)

    before = cells_before(directory)

    def show_headline(headline: Headline) -> None:
        rows = headline_rows(headline.vehicles, headline.crush)
        cells = headline_cells(rows, headline.report_units)
        _announce_headline(cells, before, headline.draws)

    results = analyse(load_record(record), report_progress, calibrate, solve, show_headline)
    cells = headline_cells(headline_of(results), results.test.report_units)
    _announce_headline(cells, before, None)
    write_results_in_steps(results, directory, report_progress)


def cells_before(directory: Path) -> list[Cells]:
    """The headline numbers of the results that are about to be replaced; empty without any."""
    from tracker.results.folder import read_results
    from tracker.results.headline import headline_cells, headline_of

    try:
        results = read_results(directory)
    except Problem:
        return []
    return headline_cells(headline_of(results), results.test.report_units)


def beside(now: Sequence[Cells], before: Sequence[Cells]) -> list[list[str]]:
    """Rows label, value, u, unit of this run, then value and u of the run before ("" without, or
    where the unit was another).
    """
    last = {(label, unit): [value, u] for label, value, u, unit in before}
    return [[*cells, *last.get((cells[0], cells[3]), ["", ""])] for cells in now]


def _announce_headline(now: Sequence[Cells], before: Sequence[Cells], draws: int | None) -> None:
    """`draws`: of the posterior behind these first numbers; None for the final ones."""
    payload = {"draws": draws, "compared": bool(before), "rows": beside(now, before)}
    announce_result({"headline": payload})


if __name__ == "__main__":
    load()
    asked = question_from_parent()
    run_job(partial(analyse_and_write, Path(asked["record"]), Path(asked["directory"])))
