"""What the package offers to Python: its list, its weight, its examples and its page."""

import doctest
import importlib
import re
import subprocess
import sys
from pathlib import Path

import matplotlib as mpl
import pytest

import tracker
from tracker.core.types import STATE
from tracker.results import frames

PAGE = Path(__file__).parents[2] / "docs" / "python.md"
PUBLIC = {
    *("load_record", "analyse", "read_results", "write_results", "plan", "films_outside"),
    *("motion_frame", "motion_dataset", "STATE"),
    *("Record", "PlannedRecord", "Results", "VehicleResult", "OccupantResult", "Criterion"),
    *("Motion", "PointPath", "Tracks", "Status", "MarkId", "Quantity", "Diagnostic", "Plan"),
    *("Problem", "RecordError", "FilmError", "CalibrationError", "MotionError", "ResultsError"),
}
HEAVY = ("numpy", "cv2", "numba", "scipy", "pydantic", "matplotlib", "pandas", "xarray")


def test_what_is_public_is_this_list() -> None:
    assert set(tracker.__all__) == PUBLIC
    assert set(dir(tracker)) == PUBLIC | {"__version__"}


@pytest.mark.parametrize("name", sorted(PUBLIC))
def test_each_public_name_is_there_and_documented(name: str) -> None:
    value = getattr(tracker, name)
    assert name == "STATE" or value.__doc__


def test_other_names_are_none_of_its_own() -> None:
    with pytest.raises(AttributeError, match="no attribute 'analyze'"):
        _ = tracker.analyze


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = f"import sys, tracker; print([m for m in {HEAVY} if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


@pytest.mark.parametrize("package", ["tracker", "calibration"])
def test_the_package_says_that_it_is_typed(package: str) -> None:
    file = importlib.import_module(package).__file__
    assert file is not None
    assert Path(file).with_name("py.typed").is_file()


@pytest.mark.slow
@pytest.mark.parametrize(
    "module",
    [
        "tracker",
        "tracker.planning.plan",
        "tracker.record.load",
        "tracker.results.folder",
        "tracker.results.frames",
    ],
)
def test_the_examples_in_docstrings_run(
    module: str, quick_demo: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(quick_demo.parent)
    outcome = doctest.testmod(importlib.import_module(module))
    assert outcome.attempted > 0
    assert outcome.failed == 0


@pytest.mark.slow
def test_the_page_for_python_runs_from_top_to_bottom(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("pandas")
    pytest.importorskip("xarray")
    monkeypatch.chdir(tmp_path)
    mpl.use("Agg")
    names: dict[str, object] = {}
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    blocks = re.findall(r"```(python|pycon)\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.S)
    for number, (language, block) in enumerate(blocks):
        if language == "python":
            exec(block, names)
        else:
            session = doctest.DocTestParser().get_doctest(block, names, f"{number}", None, None)
            runner.run(session, clear_globs=False)
            names.update(session.globs)
    assert runner.summarize(verbose=False).failed == 0
    pictures = re.findall(r"\]\(pictures/(.*?)\)", PAGE.read_text(encoding="utf-8"))
    assert len(pictures) == 2
    assert all((tmp_path / name).stat().st_size < 100_000 for name in pictures)


@pytest.mark.slow
def test_a_table_of_a_motion_holds_what_its_csv_holds(quick_demo: Path) -> None:
    pandas = pytest.importorskip("pandas")
    table = tracker.motion_frame(tracker.read_results(quick_demo / "results").motion["car"])
    written = pandas.read_csv(quick_demo / "results" / "motion" / "car.csv", index_col="time_s")
    assert list(table.columns) == list(written.columns)
    pandas.testing.assert_frame_equal(table, written, rtol=1e-9, atol=1e-9)


def test_units_of_a_data_set_are_those_that_its_names_end_in() -> None:
    ends = {"m": "m", "rad": "rad", "mps": "m/s", "radps": "rad/s", "mps2": "m/s2"}
    assert {name: frames.UNITS[name] for name in STATE} == {
        name: ends[name.rpartition("_")[2]] for name in STATE
    }


def test_a_library_that_is_missing_is_one_clear_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(tracker.ResultsError, match="pandas is not installed"):
        tracker.motion_frame(None)
