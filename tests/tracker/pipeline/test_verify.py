"""Numbers that can be made again are reported from numbers that can't."""

import shutil
from dataclasses import replace

import pytest

from calibration.errors import FILM, RECORD, Problem
from tests.support.made_results import made_results
from tests.support.record_text import RECORD_TEXT
from tracker.pipeline.verify import verify
from tracker.pipeline.write_results import write_results
from tracker.record.input_digests import digests
from tracker.record.load import load_record
from tracker.results.folder import read_results, write_data
from tracker.storage.audit_log import Entry


@pytest.fixture
def place(tmp_path):
    """A test with its results beside the record."""
    (tmp_path / "side.mp4").write_bytes(b"a film")
    (tmp_path / "record.toml").write_text(RECORD_TEXT.format(number="K-07"))
    (tmp_path / "results").mkdir()
    write_data(results_of(tmp_path / "record.toml"), tmp_path / "results")
    return tmp_path


def results_of(record):
    results = made_results()
    software = replace(results.software, inputs=digests(load_record(record)))
    return replace(results, software=software)


def same(record, progress):
    return results_of(record.path)


def never(record, progress):
    raise AssertionError("analysed though the answer was known")


def test_equal_numbers_are_verified_and_nothing_is_written(place):
    before = sorted((p, p.stat().st_mtime_ns) for p in place.rglob("*"))

    assert verify(place / "results", again=same) == place.resolve() / "record.toml"
    assert sorted((p, p.stat().st_mtime_ns) for p in place.rglob("*")) == before


def test_one_other_number_is_named(place):
    def other(record, progress):
        results = results_of(record.path)
        crush = replace(results.crush, at=0.18)
        return replace(results, crush=crush)

    with pytest.raises(Problem, match=r"crush\.at: 0\.171 before, 0\.18 now") as reported:
        verify(place / "results", again=other)
    assert reported.value.status == FILM


@pytest.mark.parametrize("name", ["side.mp4", "record.toml"])
def test_a_changed_input_is_named_before_any_work(place, name):
    with (place / name).open("a") as file:
        file.write("\n# more\n")

    with pytest.raises(Problem, match=f"changed since the analysis: {name}") as reported:
        verify(place / "results", again=never)
    assert reported.value.status == FILM


def test_without_the_record_there_is_nothing_to_verify_from(place):
    (place / "record.toml").unlink()

    with pytest.raises(Problem, match="record of these results is not there") as reported:
        verify(place / "results", again=never)
    assert reported.value.status == RECORD


def test_the_log_leads_to_the_record_from_wherever_both_are_moved(place, tmp_path_factory):
    record = place / "record.toml"
    entry = Entry("input", "record.toml", data={"path": str(record.resolve())})
    far = tmp_path_factory.mktemp("far")
    (place / "out").mkdir()
    write_results(
        replace(results_of(record), log=(entry,)), place / "out" / "A", films=False, unopened=()
    )
    shutil.rmtree(place / "results")
    moved = far / "archive"
    place.rename(moved)

    assert verify(moved / "out" / "A", again=same) == moved.resolve() / "record.toml"
    assert str(far) not in (moved / "out" / "A" / "log.jsonl").read_text()
    assert read_results(moved / "out" / "A").log[0].data["path"] == str(
        moved.resolve() / "record.toml"
    )
