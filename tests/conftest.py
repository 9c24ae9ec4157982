"""Scenes that tests of several rooms build. They are read only: a test that writes takes a copy."""

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import settings

from tests.support.small_scene import write_small_test
from tracker.cli.main import main
from tracker.demo import Scenario, write_demo

settings.register_profile("any machine", deadline=None)  # how fast it is is measured, not asserted
settings.load_profile("any machine")


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


@pytest.fixture(scope="session")
def quick_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder `demo` of a small demonstration test, analysed by the command."""
    folder = tmp_path_factory.mktemp("quick") / "demo"
    write_demo(folder, scenario=Scenario.quick())
    run = CliRunner().invoke(main, ["analyse", str(folder / "record.toml")])
    assert run.exit_code == 0, run.output
    return folder
