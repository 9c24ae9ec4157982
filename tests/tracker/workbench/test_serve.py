"""How the workbench's page comes into the browser: what other users of the machine can see of it.

Every user can read the command lines of all processes (common practice, no source).
"""

from __future__ import annotations

import os
import signal
import socket
import stat
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest
from click.testing import CliRunner

from tracker.cli.main import main
from tracker.workbench import browser


def test_a_port_in_use_is_a_sentence():
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        reported = CliRunner().invoke(main, ["open", "--no-browser", "--port", str(port)])
    assert reported.exit_code == 2
    assert f"--port {port}" in reported.output
    assert "Traceback" not in reported.output


@pytest.mark.skipif(os.name != "posix", reason="modes of files")
@pytest.mark.parametrize("umask", [0o000, 0o002, 0o077])
def test_the_browsers_command_line_holds_no_token(tmp_path, monkeypatch, umask):
    opened = []
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setattr(browser.webbrowser, "open", lambda url: opened.append(url) or True)
    before = os.umask(umask)
    try:
        file = browser.open_in_browser("http://127.0.0.1:1/?token=secret")
    finally:
        os.umask(before)
    assert opened == [file.as_uri()]
    assert "secret" not in opened[0]
    assert "token=secret" in file.read_text()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_a_home_that_is_not_there_is_no_hindrance(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path / "none"))
    monkeypatch.setattr(browser.webbrowser, "open", lambda url: False)
    assert browser.open_in_browser("http://127.0.0.1:1/?token=secret") is None


@pytest.mark.skipif(os.name != "posix", reason="a browser that is a script")
def test_open_hands_the_token_over_and_takes_its_file_away(tmp_path):
    seen = tmp_path / "seen"
    script = tmp_path / "browser"
    script.write_text(
        f'#!/bin/sh\ncp "$(echo "$1" | sed s,file://,,)" {seen}.html\necho "$@">{seen}\n'
    )
    script.chmod(0o700)
    home = tmp_path / "home"
    home.mkdir()
    user = {**os.environ, "HOME": str(home), "BROWSER": str(script)}
    user |= {"XDG_CONFIG_HOME": str(home / "c"), "XDG_CACHE_HOME": str(home / "k")}
    command = [sys.executable, "-m", "tracker.cli.main", "open"]
    with subprocess.Popen(command, env=user, stdout=subprocess.PIPE, text=True) as served:
        try:
            address = served.stdout.readline().strip()
            token = address.split("token=")[1]
            waited_for(lambda: seen.exists() and seen.read_text())
            assert token not in seen.read_text()
            assert token in Path(f"{seen}.html").read_text()
            httpx.get(address, trust_env=False).raise_for_status()
            waited_for(lambda: not list(home.glob("*.html")))
            assert httpx.get(address, trust_env=False).status_code == 403
        finally:
            served.terminate()


@pytest.mark.skipif(os.name != "posix", reason="a browser that is a script; signals")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_file_that_nobody_opened_goes_with_the_workbench(tmp_path, number):
    script = tmp_path / "browser"
    script.write_text("#!/bin/sh\nexit 0\n")
    script.chmod(0o700)
    user = {**os.environ, "HOME": str(tmp_path), "BROWSER": str(script)}
    user |= {"XDG_CONFIG_HOME": str(tmp_path / "c"), "XDG_CACHE_HOME": str(tmp_path / "k")}
    command = [sys.executable, "-m", "tracker.cli.main", "open"]
    with subprocess.Popen(command, env=user, stdout=subprocess.PIPE, text=True) as served:
        address = served.stdout.readline().strip()
        waited_for(lambda: list(tmp_path.glob("*.html")))
        waited_for(lambda: httpx.get(address[:-1], trust_env=False).status_code == 403)
        served.send_signal(number)
        assert served.wait(60) == (143 if number == signal.SIGTERM else 0)
    assert not list(tmp_path.glob("*.html"))


def waited_for(there):
    end = time.monotonic() + 60
    while not there():
        assert time.monotonic() < end
        time.sleep(0.05)
