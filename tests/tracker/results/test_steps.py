"""Numbers first: the results folder is whole at every moment, report and films follow into it."""

from __future__ import annotations

import json
import shutil

import pytest

from tests.support.made_results import made_results
from tracker.pipeline import write_results as writer
from tracker.pipeline.write_results import write_results, write_results_in_steps
from tracker.results.folder import read_results
from tracker.storage.later_parts import UNDER_WAY, parts_under_way

REPORT = ("report.html", "report.pdf", "pictures")


@pytest.fixture
def made():
    return made_results()


def files(folder):
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*"))


def test_step_by_step_the_same_files_are_written_as_at_once(tmp_path, made):
    write_results(made, tmp_path / "once", unopened=())
    write_results_in_steps(made, tmp_path / "steps")
    assert files(tmp_path / "steps") == files(tmp_path / "once")
    for name in ("results.json", "motion/car.csv"):
        once, steps = (tmp_path / way / name for way in ("once", "steps"))
        assert steps.read_bytes() == once.read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["once", "steps"]  # nothing left beside


def test_numbers_can_be_read_before_report_and_films_are_there(tmp_path, made, monkeypatch):
    place, seen = tmp_path / "results", []

    def reports(results, folder, earlier, progress, show_film):
        seen.append((read_results(place).vehicles["car"].impact_speed, parts_under_way(place)))
        (folder / "films").mkdir()
        (folder / "films" / "side.mp4").write_bytes(b"a film")
        show_film("films/side.mp4")
        seen.append(((place / "films" / "side.mp4").read_bytes(), parts_under_way(place)))
        (folder / "pictures").mkdir()
        for name in ("report.html", "report.pdf"):
            (folder / name).write_text("a report")

    monkeypatch.setattr(writer, "write_reports", reports)
    write_results_in_steps(made, place)
    (speed, first), (film, second) = seen
    assert speed == made.vehicles["car"].impact_speed
    assert {*REPORT, "films/side.mp4"} <= set(first)
    assert film == b"a film"
    assert set(first) - set(second) == {"films/side.mp4"}
    assert parts_under_way(place) == ()
    assert (place / "report.html").read_text() == "a report"


@pytest.mark.slow
def test_where_the_report_fails_the_numbers_stay_and_say_what_is_missing(
    tmp_path, made, monkeypatch
):
    place = tmp_path / "results"

    def broken(*_, **__):
        raise RuntimeError("no ink")

    with monkeypatch.context() as patch:
        patch.setattr(writer, "write_reports", broken)
        with pytest.raises(RuntimeError, match="no ink"):
            write_results_in_steps(made, place)
    assert set(parts_under_way(place)) >= set(REPORT)
    assert [p.name for p in tmp_path.iterdir()] == ["results"]
    write_results(read_results(place), place, unopened=())  # as `impactfilm report` does
    assert parts_under_way(place) == ()
    assert not (place / UNDER_WAY).exists()
    assert (place / "report.pdf").exists()


def test_parts_of_a_run_never_come_into_a_later_runs_folder(tmp_path, made, monkeypatch):
    place = tmp_path / "results"

    def overtaken(results, folder, earlier, progress, show_film):
        shutil.rmtree(place)
        place.mkdir()
        (place / "results.json").write_text(json.dumps({"of": "another run"}))
        (folder / "pictures").mkdir()
        for name in ("report.html", "report.pdf"):
            (folder / name).write_text("a report")

    monkeypatch.setattr(writer, "write_reports", overtaken)
    write_results_in_steps(made, place)
    assert files(place) == ["results.json"]


def test_pictures_of_the_folder_before_are_at_hand(tmp_path, made, monkeypatch):
    place, found = tmp_path / "results", []
    write_results(made, place, unopened=())
    (place / "films" / "side.mp4").write_bytes(b"marked before")

    def reports(results, folder, earlier, progress, show_film):
        found.append((earlier / "films" / "side.mp4").read_bytes())
        (folder / "pictures").mkdir()
        for name in ("report.html", "report.pdf"):
            (folder / name).write_text("a report")

    monkeypatch.setattr(writer, "write_reports", reports)
    write_results_in_steps(made, place)
    assert found == [b"marked before"]
    assert not (place / "films" / "side.mp4").exists()  # it shows the numbers of before
