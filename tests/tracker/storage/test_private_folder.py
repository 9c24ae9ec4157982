"""Folders that are this user's alone, whatever the umask (POSIX, umask)."""

from __future__ import annotations

import os
import stat

import pytest

from tracker.storage.private_folder import private_folder

pytestmark = pytest.mark.skipif(os.name != "posix", reason="modes of folders")


@pytest.mark.parametrize("umask", [0o000, 0o002, 0o022, 0o077])
def test_every_folder_that_is_made_is_closed_to_others(tmp_path, umask):
    before = os.umask(umask)
    try:
        made = private_folder(tmp_path / "a" / "b", "c", "d")
    finally:
        os.umask(before)
    assert made == tmp_path / "a" / "b" / "c" / "d"
    for folder in (made, *list(made.parents)[:3]):
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700, folder
