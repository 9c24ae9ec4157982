"""A caller can catch each kind of error by its class; all of them are `Problem`s."""

import ast
import json
from pathlib import Path

import pytest

import calibration
import tracker
from calibration.errors import (
    FILM,
    KINDS,
    RECORD,
    CalibrationError,
    FilmError,
    MotionError,
    Problem,
    RecordError,
    ResultsError,
)
from calibration.lens import load_lens
from tracker.film.film import open_film
from tracker.motion.solve import solve
from tracker.processes.messages import problem_fields, problem_of
from tracker.record.load import InvalidRecordError, load_record
from tracker.results.folder import read_results


@pytest.mark.parametrize("kind", KINDS)
def test_one_kind_is_not_caught_as_another(kind):
    error = kind("it is wrong", where="there", remedy="mend it")
    assert [other for other in KINDS if isinstance(error, other)] == [kind]
    assert isinstance(error, Problem)
    assert str(error) == "there: it is wrong; mend it."


def test_the_exit_status_says_record_or_film():
    statuses = {kind: kind("", where="", remedy="").status for kind in KINDS}
    assert {kind for kind, status in statuses.items() if status == RECORD} == {
        RecordError,
        ResultsError,
    }
    assert FilmError("", where="", remedy="", status=RECORD).status == RECORD
    assert FILM == 3  # contract of the commands
    assert RECORD == 2


def test_no_error_is_raised_by_its_base_class():
    for package in (calibration, tracker):
        for file in Path(package.__file__).parent.rglob("*.py"):
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
                    name = getattr(node.exc.func, "id", "")
                    assert name != "Problem", f"{file}, line {node.lineno}"


@pytest.mark.parametrize("kind", KINDS)
def test_an_error_keeps_its_class_from_process_to_process(kind):
    error = kind("it is wrong", where="there", remedy="mend it", status=FILM)
    other = problem_of(json.loads(json.dumps(problem_fields(error))))
    assert type(other) is kind
    assert (str(other), other.status) == (str(error), FILM)


def test_a_record_that_is_not_there_is_a_record_error(tmp_path):
    with pytest.raises(RecordError):
        load_record(tmp_path)


def test_every_error_of_a_record_comes_with_it(tmp_path):
    (tmp_path / "record.toml").write_text("schema = 1\nsurprise = 2\n")
    with pytest.raises(RecordError) as caught:
        load_record(tmp_path)
    assert isinstance(caught.value, InvalidRecordError)
    assert len(caught.value.errors) > 1


def test_a_film_that_is_not_there_is_a_film_error(tmp_path):
    with pytest.raises(FilmError):
        open_film(str(tmp_path / "side.mp4"))


def test_results_that_are_not_there_are_a_results_error(tmp_path):
    with pytest.raises(ResultsError):
        read_results(tmp_path)


def test_a_lens_file_that_says_nothing_is_a_calibration_error(tmp_path):
    (tmp_path / "lens.json").write_text("{}")
    with pytest.raises(CalibrationError):
        load_lens(tmp_path / "lens.json")


def test_a_test_that_no_camera_saw_is_a_motion_error():
    with pytest.raises(MotionError):
        solve({}, {})
