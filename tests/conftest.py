"""Scenes that tests of several rooms build. They are read only: a test that writes takes a copy."""

import shutil
from pathlib import Path

import pytest

from tests.support.small_scene import write_small_test


@pytest.fixture(scope="session")
def small_test(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a small test that nobody has analysed."""
    folder = tmp_path_factory.mktemp("small") / "S-1"
    write_small_test(folder)
    return folder


@pytest.fixture
def small_copy(small_test: Path, tmp_path: Path) -> Path:
    """A copy of it, for a test that writes."""
    return Path(shutil.copytree(small_test, tmp_path / "S-1"))
