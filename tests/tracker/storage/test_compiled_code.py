"""Compiled code: where it may lie, and that numbers don't depend on when it was compiled.

No published source.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import stat
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

import calibration
import tracker
from tracker.storage import compiled_code
from tracker.storage.compiled_code import PLACE, place_compiled_code

OVER_MODES, DROP = 1, 24  # Linux: to write despite modes, and to give that up (capabilities(7))


def as_anybody() -> None:
    """Take from the superuser what no other user has, before the program begins."""
    if os.getuid() == 0:
        ctypes.CDLL(None).prctl(DROP, OVER_MODES, 0, 0, 0)


USES_IT = """
import os, sys
import tracker, tracker.marks.image_model
from tracker.marks.image_model import __file__ as file
print(tracker.__file__, os.environ.get("NUMBA_CACHE_DIR"), sep="\\n")
"""


def closed(folder: Path) -> None:
    """Nobody may write into the folder or what is in it."""
    for path in (folder, *folder.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)


@pytest.mark.skipif(sys.platform != "linux", reason="folders are closed by Linux's modes")
def test_kernels_load_without_a_writable_home_or_package():
    home = Path(tempfile.mkdtemp())  # pytest's own is closed to other users
    try:
        for package in (calibration, tracker):
            source = Path(str(package.__file__)).parent
            copy = home / "packages" / source.name
            shutil.copytree(source, copy, ignore=shutil.ignore_patterns("__pycache__"))
        (home / "home").mkdir()
        (home / "tmp").mkdir()
        closed(home)
        (home / "tmp").chmod(0o1777)
        ran = subprocess.run(
            [sys.executable, "-B", "-c", USES_IT],
            env={
                "PYTHONPATH": str(home / "packages"),
                "HOME": str(home / "home"),
                "TMPDIR": str(home / "tmp"),
                "PATH": os.environ["PATH"],
            },
            cwd=home,
            preexec_fn=as_anybody,
            capture_output=True,
            text=True,
        )
        assert ran.returncode == 0, ran.stderr[-2000:]
        file, place = ran.stdout.splitlines()[-2:]
        assert Path(file).is_relative_to(home)
        assert Path(place).is_relative_to(home / "tmp")
        assert stat.S_IMODE(Path(place).stat().st_mode) == 0o700
    finally:
        for path in (home, *home.rglob("*")):
            path.chmod(0o755)
        shutil.rmtree(home)


@pytest.fixture
def nothing_writable(monkeypatch, tmp_path):
    monkeypatch.delenv(PLACE, raising=False)
    monkeypatch.setattr(compiled_code, "_is_writable", lambda folder: False)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))


def test_a_place_that_somebody_else_made_is_not_used(nothing_writable, tmp_path, monkeypatch):
    (tmp_path / "theirs").mkdir()
    (tmp_path / f"impactfilm-{os.getuid()}").symlink_to(tmp_path / "theirs")
    place_compiled_code(Path(str(tracker.__file__)).parent)
    chosen = Path(os.environ[PLACE])
    monkeypatch.delenv(PLACE)
    assert chosen.parent == tmp_path
    assert stat.S_IMODE(chosen.stat().st_mode) == 0o700
    assert list((tmp_path / "theirs").iterdir()) == []


def test_what_the_user_has_chosen_stays(nothing_writable, monkeypatch):
    monkeypatch.setenv(PLACE, "chosen")
    place_compiled_code(Path(str(tracker.__file__)).parent)
    assert os.environ[PLACE] == "chosen"


FITS_MARKS = """
import hashlib
import numpy as np
from tests.tracker.marks.test_marks import clean_picture, view_of
from tests.support import marks_scene as scene
from tracker.marks import Picture, measure_marks, locate_mark

rng, numbers = np.random.default_rng(5), hashlib.sha256()
for pattern in ("quadrant", "disc", "ring"):
    view = view_of(rng, 14.0)
    pictures = [
        Picture(scene.photograph(clean_picture(pattern, view), 4.0, rng), 255.0) for _ in range(3)
    ]
    fix = locate_mark(pictures[0], pattern, np.array(view.centre), 14.0)
    for picture in pictures[1:]:
        found = measure_marks(picture, (fix.shape,), np.array([fix.position]))
        assert found.ok.all()
        numbers.update(found.position.tobytes() + found.covariance.tobytes())
print(numbers.hexdigest())
"""


@pytest.mark.slow
def test_marks_are_measured_alike_by_code_just_compiled_and_by_code_loaded(tmp_path: Path) -> None:
    """Which copy of a function runs depends on what was loaded first: that must not show."""

    def ran() -> str:
        return subprocess.run(
            [sys.executable, "-c", FITS_MARKS],
            env={**os.environ, PLACE: str(tmp_path), "PYTHONPATH": str(Path.cwd())},
            capture_output=True,
            text=True,
            check=True,
        ).stdout

    first = ran()
    assert len(first.strip()) == 64
    assert ran() == first
