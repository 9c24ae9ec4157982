"""The results folder against other writers, odd names and what a stranger put beside it.

No published source.
"""

from __future__ import annotations

import os
import stat
import threading
import time

import pytest

from calibration.errors import Problem
from tracker.results.folder import check_directory
from tracker.storage import atomic_folder
from tracker.storage.atomic_folder import clear_leftovers, ready, replacing
from tracker.storage.atomic_write import put

OURS = "results.json"
POSIX = pytest.mark.skipif(os.name != "posix", reason="modes, links and pipes of POSIX")


def write(place, text="new"):
    with replacing(place, OURS, (OURS,)) as new:
        (new / OURS).write_text(text)


@POSIX
def test_writers_at_once_lose_nothing_of_the_users(tmp_path, monkeypatch):
    place = tmp_path / "results"
    write(place)
    (place / "mine.txt").write_text("mine")
    rename = atomic_folder.Path.rename

    def slow(self, target):
        time.sleep(0.01)  # the moment in which the folder is not there is drawn out
        return rename(self, target)

    monkeypatch.setattr(atomic_folder.Path, "rename", slow)
    failed = []

    def writer():
        try:
            for _ in range(5):
                write(place)
        except Problem as problem:
            failed.append(problem)

    threads = [threading.Thread(target=writer) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert (place / "mine.txt").read_text() == "mine"
    assert [entry.name for entry in tmp_path.iterdir()] == ["results"]


@POSIX
@pytest.mark.parametrize("mode", [0o700, 0o2770])
def test_the_folder_keeps_its_mode(tmp_path, mode):
    place = tmp_path / "results"
    write(place)
    place.chmod(mode)
    write(place)
    assert stat.S_IMODE(place.stat().st_mode) == mode


def test_leftovers_of_a_folder_with_brackets_in_its_name_are_found(tmp_path):
    place = tmp_path / "run [2]"
    write(place, "old")
    place.rename(tmp_path / ".run [2].old.x")
    clear_leftovers(place)
    assert (place / OURS).read_text() == "old"


@POSIX
def test_links_and_pipes_of_a_strangers_folder_are_no_leftovers(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / ".results.old.x").symlink_to(tmp_path / "elsewhere")
    os.mkfifo(tmp_path / ".results.new.p")
    clear_leftovers(tmp_path / "results")
    assert not (tmp_path / "results").exists()


@pytest.mark.parametrize("length", [242, 250, 255, 300])
def test_a_name_that_is_too_long_is_found_before_the_work(tmp_path, length):
    with pytest.raises(Problem, match="too long"):
        ready(tmp_path / ("x" * length), OURS)


def test_the_longest_name_that_passes_can_be_written(tmp_path):
    place = tmp_path / ("x" * 241)
    ready(place, OURS)
    write(place)
    assert (place / OURS).is_file()


def test_a_place_that_cannot_be_written_to_is_found_before_the_work(tmp_path, monkeypatch):
    monkeypatch.setattr(atomic_folder.os, "access", lambda path, _: path != tmp_path)
    with pytest.raises(Problem, match="Permission denied"):
        ready(tmp_path / "new" / "results", OURS)


@POSIX
def test_a_pipe_among_the_users_files_is_found_before_the_work(tmp_path):
    place = tmp_path / "results"
    write(place)
    (place / "notes").mkdir()
    os.mkfifo(place / "notes" / "p")
    with pytest.raises(Problem, match=r"notes/p' in the folder is a pipe or a device"):
        check_directory(place)


@POSIX
def test_a_link_to_nowhere_among_the_users_files_is_kept(tmp_path):
    place = tmp_path / "results"
    write(place)
    (place / "link").symlink_to("nowhere")
    write(place)
    assert (place / "link").is_symlink()


@POSIX
@pytest.mark.parametrize("mode", [0o600, 0o640])
def test_a_file_written_again_keeps_its_mode(tmp_path, mode):
    path = tmp_path / "record.toml"
    path.write_text("old")
    path.chmod(mode)
    put(path, b"new", what="a", remedy="b")
    assert (path.read_text(), stat.S_IMODE(path.stat().st_mode)) == ("new", mode)


@POSIX
def test_a_private_file_is_private_while_it_is_written_again(tmp_path, monkeypatch):
    path = tmp_path / "record.toml"
    path.write_text("old")
    path.chmod(0o600)
    modes = []
    monkeypatch.setattr(
        os, "fsync", lambda file: modes.append(stat.S_IMODE(os.fstat(file).st_mode))
    )
    put(path, b"new", what="a", remedy="b")
    assert modes == [0o600]


def test_what_a_killed_writer_left_goes_after_a_day(tmp_path):
    path = tmp_path / "record.toml"
    old, fresh, own = (tmp_path / f".record.toml.{n}.new" for n in ("1.2", "3.4", "mine"))
    for left in (old, fresh, own):
        left.write_text("half")
    for left in (old, own):
        os.utime(left, (0, 0))
    put(path, b"new", what="a", remedy="b")
    assert not old.exists()
    assert fresh.exists()
    assert own.exists()
    assert path.read_bytes() == b"new"
