"""Reports written again from a stranger's results draw nothing from elsewhere.

The cases are those of an attack on version 0.1.0 (A1, A2, A12), and of one on this (common
practice, no source).
"""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from calibration.errors import Problem
from tests.support.made_results import made_results
from tests.support.small_scene import write_film
from tracker.cli.main import main
from tracker.pipeline import write_results as writer
from tracker.pipeline.write_results import films_outside, write_results
from tracker.report.films import mark_films
from tracker.report.sequence import Photographer
from tracker.results.folder import check_own_directory, read_results
from tracker.results.schema import View
from tracker.storage.later_parts import later_parts

pytestmark = pytest.mark.skipif(os.name != "posix", reason="links")


@pytest.fixture
def test_folder(tmp_path):
    """A test with a film, results of it and a secret beside it."""
    folder = tmp_path / "S-1"
    folder.mkdir()
    write_film(folder / "above.mp4")
    (tmp_path / "outside").mkdir()
    shutil.copy(folder / "above.mp4", tmp_path / "outside" / "secret.mp4")
    (tmp_path / "outside" / "secret").write_text("secret")
    return folder


def with_film(film):
    return replace(made_results(), views={"side": View(str(film))})


@pytest.mark.parametrize(
    ("film", "outside"),
    [
        ("above.mp4", False),
        ("../outside/secret.mp4", True),
        ("{outside}/secret.mp4", True),
        ("../../../../../../etc/passwd", True),
        ("link.mp4", True),
        ("folder-link/secret.mp4", True),
        ("*.mp4", True),
        ("http://127.0.0.1:1/a.mp4", True),
        ("x/ftp://../../outside/secret.mp4", True),
    ],
)
def test_films_that_results_name_elsewhere_are_distinguished(test_folder, film, outside):
    (test_folder / "link.mp4").symlink_to("../outside/secret.mp4")
    (test_folder / "folder-link").symlink_to("../outside")
    film = film.format(outside=test_folder.parent / "outside")
    place = film if "://" in film else os.path.normpath(test_folder / film)
    found = films_outside(with_film(place), test_folder)
    assert found == (("side",) if outside else ())


def test_a_folder_reached_by_a_link_is_still_the_films_own(test_folder, tmp_path):
    (tmp_path / "short").symlink_to(test_folder)
    assert films_outside(with_film(tmp_path / "short" / "above.mp4"), test_folder) == ()


@pytest.fixture
def opened(monkeypatch):
    """Films that were opened for a report."""
    seen = []

    def write_reports(results, *_, **__):
        seen.extend(view.film for view in results.views.values() if view.film)

    monkeypatch.setattr(writer, "write_reports", write_reports)
    return seen


def test_the_command_opens_films_of_the_tests_folder_only(test_folder, opened):
    secret = test_folder.parent / "outside" / "secret.mp4"
    write_results(with_film(secret), test_folder / "results", unopened=())
    opened.clear()
    reported = CliRunner().invoke(main, ["report", str(test_folder / "results")])
    assert reported.exit_code == 0, reported.output
    assert "is not opened, for it lies outside" in reported.output
    assert opened == []
    assert read_results(test_folder / "results").views["side"].film == str(secret)
    asked = ["report", str(test_folder / "results"), "--films", str(secret.parent)]
    assert "not opened" not in CliRunner().invoke(main, asked).output
    assert opened == [str(secret)]
    opened.clear()
    write_results(with_film(test_folder / "above.mp4"), test_folder / "results", unopened=())
    opened.clear()
    reported = CliRunner().invoke(main, ["report", str(test_folder / "results")])
    assert "not opened" not in reported.output
    assert opened == [str(test_folder / "above.mp4")]


@pytest.mark.parametrize("linked", ["file", "folder"])
def test_earlier_pictures_behind_links_are_not_kept(test_folder, linked):
    results = replace(made_results(), views={"side": View("")})
    secret = test_folder.parent / "outside" / "secret"
    old, new = test_folder / "old", test_folder / "new"
    new.mkdir()
    photographer = Photographer(results, new)
    names = [name for _, name, _ in photographer._wanted["side"].values()]
    assert names
    if linked == "file":
        old.mkdir()
        for name in (*names, "side.mp4"):
            (old / name).symlink_to(secret)
    else:
        old.symlink_to(secret.parent)
        for name in (*names, "side.mp4"):
            (secret.parent / name).write_text("secret")
    assert photographer.shots(old) == {}
    mark_films(results, new / "films", old, lambda *_: None)
    assert [p for p in new.rglob("*") if p.is_file()] == []


@pytest.mark.parametrize("linked", ["file", "folder", "folder inside"])
def test_parts_behind_links_do_not_come_into_a_folder_that_is_filled_in_steps(test_folder, linked):
    results = test_folder / "results"
    outside = test_folder.parent / "outside"
    results.mkdir()
    if linked == "folder":
        (results / "films").symlink_to(outside)
    else:
        (results / "films").mkdir()
        target = outside / "secret" if linked == "file" else outside
        (results / "films" / "secret").symlink_to(target)
        (results / "films" / "own").write_text("own")
    with later_parts(results, (), ("films",)) as parts:
        held = [p.name for p in parts.earlier.rglob("*") if p.is_file() or p.is_symlink()]
    assert held == ([] if linked == "folder" else ["own"])


@pytest.mark.parametrize("name", ["results.json", "results.h5", "log.jsonl"])
def test_results_that_are_links_are_not_read(test_folder, opened, name):
    for folder in ("mine", "theirs"):
        write_results(with_film(test_folder / "above.mp4"), test_folder / folder, unopened=())
    assert read_results(test_folder / "theirs").test.number
    (test_folder / "theirs" / name).unlink()
    (test_folder / "theirs" / name).symlink_to(test_folder / "mine" / name)
    with pytest.raises(Problem, match="this is a link"):
        read_results(test_folder / "theirs")


def test_results_beside_a_record_are_not_written_through_a_link(test_folder, opened):
    """A stranger's link to another test's results would have them replaced."""
    write_results(with_film(test_folder / "above.mp4"), test_folder.parent / "mine", unopened=())
    link: Path = test_folder / "results"
    link.symlink_to("../mine")
    with pytest.raises(Problem, match="through which results are not written"):
        check_own_directory(link)


@pytest.mark.parametrize("letter", ["\x1b", "\x00", "\x9b", "\ud800"])
def test_results_that_could_steer_a_terminal_are_not_read(test_folder, opened, letter):
    place = test_folder / "results"
    write_results(with_film(test_folder / "above.mp4"), place, unopened=())
    found = json.loads((place / "results.json").read_text("utf-8"))
    found["test"]["number"] = f"A{letter}[31m"
    (place / "results.json").write_text(json.dumps(found), encoding="utf-8")
    with pytest.raises(Problem, match="control characters"):
        read_results(place)
