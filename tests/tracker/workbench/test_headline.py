"""This run's numbers beside those of the run before."""

from pathlib import Path

from tests.support.made_results import made_results
from tracker.pipeline.write_results import write_results
from tracker.results.headline import headline_cells, headline_of
from tracker.workbench.job import beside, cells_before


def test_numbers_stand_beside_those_of_their_name_and_unit() -> None:
    now = [("car: speed", "62.3", "0.1", "mi/h"), ("car: travel", "3.1", "0.2", "m")]
    before = [("car: travel", "10.2", "0.7", "ft"), ("car: speed", "61.0", "0.3", "mi/h")]
    assert beside(now, before) == [
        ["car: speed", "62.3", "0.1", "mi/h", "61.0", "0.3"],
        ["car: travel", "3.1", "0.2", "m", "", ""],
    ]


def test_the_run_before_is_what_the_folder_holds(tmp_path: Path) -> None:
    assert cells_before(tmp_path / "results") == []
    made = made_results()
    write_results(made, tmp_path / "results", films=False, unopened=())
    assert cells_before(tmp_path / "results") == headline_cells(
        headline_of(made), made.test.report_units
    )
