"""A stranger's folder reaches nothing but its own plain files."""

import os

import pytest

from tracker.storage.inside import append_inside, files_inside, folder_inside, read_inside

pytestmark = pytest.mark.skipif(os.name != "posix", reason="links and pipes")


@pytest.fixture
def home(tmp_path):
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "secret").write_text("secret")
    home = tmp_path / "test"
    (home / "kept").mkdir(parents=True)
    (home / "kept" / "own").write_text("own")
    (home / "file-link").symlink_to(tmp_path / "outside" / "secret")
    (home / "folder-link").symlink_to(tmp_path / "outside")
    (home / "zero").symlink_to("/dev/zero")
    os.mkfifo(home / "pipe")
    return home


OUTSIDE = ["../outside/secret", "file-link", "folder-link/secret", "zero", "pipe", "kept", "a\0"]


@pytest.mark.parametrize("name", OUTSIDE)
def test_only_plain_files_inside_are_opened(home, name):
    with pytest.raises(OSError):  # noqa: PT011 - its kind depends on the system
        read_inside(home, name, 100)
    if name != "kept":
        with pytest.raises(OSError):  # noqa: PT011
            append_inside(home, name, b"more")
    assert (home.parent / "outside" / "secret").read_text() == "secret"


def test_reading_is_bounded(home):
    assert read_inside(home, "kept/own", 3) == b"own"
    with pytest.raises(OSError, match="too large"):
        read_inside(home, "kept/own", 2)


def test_folders_are_made_inside_only(home):
    assert folder_inside(home, "kept/deeper") == home / "kept" / "deeper"
    for name in ("folder-link/deeper", "file-link", "../deeper", "pipe"):
        with pytest.raises(OSError):  # noqa: PT011
            folder_inside(home, name)
    assert not (home.parent / "outside" / "deeper").exists()


def test_lines_are_added_whole(home):
    append_inside(home, "log", b"torn")
    append_inside(home, "log", b"whole\n")
    append_inside(home, "log", b"last\n")
    assert read_inside(home, "log", 100) == b"torn\nwhole\nlast\n"


def test_a_listing_holds_plain_files_only(home):
    assert [name for name, _ in files_inside(home)] == ["kept/own"]
    assert list(files_inside(home / "folder-link")) == []
