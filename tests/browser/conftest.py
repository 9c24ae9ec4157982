"""A browser on a workbench that is really served. Debian's Chromium by default; IMPACTFILM_BROWSER
names another one. Without a browser these tests are skipped.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.browser_page import ARGUMENTS, Desk

CHROMIUM = os.environ.get("IMPACTFILM_BROWSER", "/usr/bin/chromium")


@pytest.fixture(scope="session")
def browser():
    if not Path(CHROMIUM).exists():
        pytest.skip(f"there is no browser at {CHROMIUM}")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        launched = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield launched
        launched.close()


@pytest.fixture(scope="session")
def user(tmp_path_factory):
    """Settings and cache of a user who had never used the program."""
    folder = tmp_path_factory.mktemp("home")
    return {**os.environ, "XDG_CONFIG_HOME": str(folder / "c"), "XDG_CACHE_HOME": str(folder / "k")}


@pytest.fixture
def home(user):
    """The user's environment, for a test to change."""
    return dict(user)


@pytest.fixture(scope="session")
def analysed(small_test, user, tmp_path_factory):
    """The small test, analysed by the command line."""
    folder = tmp_path_factory.mktemp("analysed") / "S-1"
    shutil.copytree(small_test, folder)
    command = [sys.executable, "-m", "tracker.cli.main", "analyse", str(folder / "record.toml")]
    subprocess.run(command, check=True, env=user, capture_output=True, timeout=400)
    return folder


@pytest.fixture
def desk(browser, home):
    """Opens workbenches; fails the test if a page complained or asked for anything elsewhere."""
    with contextlib.ExitStack() as stack:
        yield lambda place=None: stack.enter_context(Desk(browser, home, place))
