"""Space for what can be made again: bounded over all of it, a full disk is an error, no signal.

The full disk is the limit that the system sets to the size of a process's files (POSIX,
setrlimit: RLIMIT_FSIZE), and a small file system in memory where one can be mounted.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from types import SimpleNamespace

import pytest

from tracker.storage.scratch_file import ScratchSpace

MB = 10**6


def free(monkeypatch, size):
    usage = SimpleNamespace(free=size)
    monkeypatch.setattr("tracker.storage.scratch_file.shutil.disk_usage", lambda _: usage)
    return usage


def test_all_files_together_take_no_more_than_the_share(monkeypatch):
    usage = free(monkeypatch, 100 * MB)
    space = ScratchSpace(0.25)
    first, second = space.reserve(10 * MB), space.reserve(15 * MB)
    assert space.reserve(1) is None
    first.put(0, bytes(8 * MB))
    usage.free -= 8 * MB  # what it has written is no longer free, but stays within the share
    assert space.reserve(1) is None
    second.close()
    third = space.reserve(15 * MB)
    assert third is not None
    assert space.reserve(1) is None
    usage.free -= 60 * MB  # another program fills the disk
    third.close()
    first.close()
    usage.free += 8 * MB
    assert space.reserve(12 * MB) is None
    space.reserve(10 * MB).close()


def test_what_was_written_is_read():
    file = ScratchSpace(0.25).reserve(1000)
    file.put(100, b"abc")
    file.put(0, b"de")
    assert file.get(100, 3) == b"abc"
    assert file.get(0, 2) == b"de"
    with pytest.raises(EOFError):
        file.get(102, 2)
    with pytest.raises(ValueError, match="outside"):
        file.put(999, b"ab")
    file.close()
    with pytest.raises(ValueError, match="closed"):
        file.get(0, 1)


FULL = """
import resource, signal, sys
from tracker.storage.scratch_file import ScratchSpace
space = ScratchSpace(0.25)
file = space.reserve(10**6)
if sys.argv[1:] == ["limit"]:
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))
else:  # another program fills the disk
    with open(sys.argv[1], "wb", buffering=0) as other:
        try:
            while True:
                other.write(bytes(100_000)); other.flush()
        except OSError:
            pass
written = 0
try:
    for n in range(10):
        file.put(n * 100_000, bytes([n]) * 100_000)
        written += 1
except OSError as error:
    print(error.strerror, written)
assert all(file.get(n * 100_000, 100_000) == bytes([n]) * 100_000 for n in range(written))
"""


@pytest.mark.skipif(os.name != "posix", reason="limits of a process")
def test_a_full_disk_is_an_error():
    ran = subprocess.run([sys.executable, "-c", FULL, "limit"], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.strip() == "File too large 3"


@pytest.mark.skipif(shutil.which("mount") is None, reason="no file system can be mounted")
def test_a_disk_that_another_program_fills_ends_nothing(tmp_path):
    place = tmp_path / "disk"
    place.mkdir()
    options = ["-t", "tmpfs", "-o", "size=8m", "none", str(place)]
    if subprocess.run(["mount", *options], capture_output=True).returncode:
        pytest.skip("no file system can be mounted by this user")
    try:
        ran = subprocess.run(
            [sys.executable, "-c", FULL, str(place / "other")],
            capture_output=True,
            text=True,
            env={**os.environ, "TMPDIR": str(place)},
        )
    finally:
        subprocess.run(["umount", str(place)], check=True)
    assert ran.returncode == 0, (ran.returncode, ran.stderr)
    assert ran.stdout.startswith("No space left on device")


def test_where_no_file_can_be_made_there_is_none(monkeypatch):
    def refused(**_):
        raise PermissionError

    monkeypatch.setattr(tempfile, "TemporaryFile", refused)
    assert ScratchSpace(0.25).reserve(10) is None
