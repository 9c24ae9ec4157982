"""A pipe, a device or a folder in place of a file: a sentence at once, never a hang.

No published source: what a stranger's folder may hold.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from calibration.board.calibrate import lens_from_chessboard
from calibration.errors import Problem
from calibration.files import open_regular, read_bounded
from calibration.lens import load_lens
from tests.support.small_scene import record_text
from tracker.accelerometers.file_formats import read_source
from tracker.batch.child_process import Task, is_up_to_date
from tracker.film import open_film
from tracker.film.pictures import read_picture
from tracker.record.input_digests import digests
from tracker.record.load import load_record
from tracker.results.hdf5 import read_h5

pytestmark = pytest.mark.skipif(os.name != "posix", reason="there are no such pipes elsewhere")
SECONDS = 5.0


@pytest.fixture(autouse=True)
def in_time() -> Iterator[None]:
    """Ends a test that waits for somebody to write into a pipe."""

    def too_late(*_: object) -> None:
        pytest.fail(f"it hung for {SECONDS:g} s")

    before = signal.signal(signal.SIGALRM, too_late)
    signal.setitimer(signal.ITIMER_REAL, SECONDS)
    yield
    signal.setitimer(signal.ITIMER_REAL, 0.0)
    signal.signal(signal.SIGALRM, before)


def put(kind: str, path: Path) -> Path:
    """A thing of this kind at `path`."""
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    else:
        path.mkdir()
    return path


KINDS = pytest.mark.parametrize("kind", ["pipe", "device", "folder"])


@KINDS
def test_only_plain_files_are_opened(tmp_path, kind):
    path = put(kind, tmp_path / "x")
    with pytest.raises(OSError, match="a folder, a pipe or a device"):
        open_regular(path)
    (tmp_path / "y").write_bytes(b"plain")
    with open_regular(tmp_path / "y") as file:
        assert file.read() == b"plain"


@KINDS
@pytest.mark.parametrize(
    ("name", "read"),
    [
        ("a.csv", lambda p: read_source(p, "time", ["ax"])),
        ("a.h5", lambda p: read_source(p, "time", ["ax"])),
        ("a.mp4", lambda p: open_film(str(p))),
        ("results.h5", read_h5),
        ("lens.json", load_lens),
        ("board.png", lambda p: lens_from_chessboard([p], inner_corners=(9, 6), square=0.03)),
        ("a.toml", lambda p: read_bounded(p, 100, where="a", remedy="b")),
    ],
)
def test_every_reader_says_so_in_a_sentence(tmp_path, kind, name, read):
    with pytest.raises(Problem):
        read(put(kind, tmp_path / name))


@KINDS
def test_it_is_no_picture(tmp_path, kind):
    assert read_picture(str(put(kind, tmp_path / "a.png")), "film") is None


@KINDS
def test_results_of_it_are_not_up_to_date(tmp_path, kind):
    (tmp_path / "above.mp4").write_bytes(b"a film")
    (tmp_path / "record.toml").write_text(record_text())
    (tmp_path / "results").mkdir()
    put(kind, tmp_path / "results" / "results.json")
    assert not is_up_to_date(Task(tmp_path / "record.toml", tmp_path / "results"))


def test_the_record_check_names_a_pipe_that_stands_for_a_film(tmp_path):
    put("pipe", tmp_path / "above.mp4")
    (tmp_path / "record.toml").write_text(record_text())
    with pytest.raises(Problem, match=r"'above\.mp4'.* is no file but a pipe or a device"):
        load_record(tmp_path / "record.toml")


def test_the_record_check_names_a_pipe_among_pictures(tmp_path):
    (tmp_path / "above").mkdir()
    (tmp_path / "above" / "a1.png").write_bytes(b"a picture")
    put("pipe", tmp_path / "above" / "a9.png")
    (tmp_path / "record.toml").write_text(record_text().replace("above.mp4", "above"))
    with pytest.raises(Problem, match=r"holds 'a9\.png'.* a pipe or a device"):
        load_record(tmp_path / "record.toml")


def test_digests_of_inputs_wait_for_nobody(tmp_path):
    film = tmp_path / "above.mp4"
    film.write_bytes(b"a film")
    (tmp_path / "record.toml").write_text(record_text())
    record = load_record(tmp_path / "record.toml")
    film.unlink()
    put("pipe", film)
    with pytest.raises(Problem, match="can't be read"):
        digests(record)
