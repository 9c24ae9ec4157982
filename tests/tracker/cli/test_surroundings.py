"""The command where memory is short or its output is closed.

The cases are M2 and I4 of an attack on version 0.1.0 (common practice, no source).
"""

import importlib
import json
import multiprocessing
import os
import subprocess
import sys
import time

import pytest
from click.testing import CliRunner

from tests.support.small_scene import write_small_test
from tracker.cli.main import main
from tracker.processes import shortage
from tracker.processes.shortage import machine_problem

pytestmark = pytest.mark.skipif(os.name != "posix", reason="limits and numbers of open files")
LOADED = (
    "tracker.batch.run", "tracker.cli.batch", "tracker.cli.plan", "tracker.cli.predict",
    "tracker.cli.progress", "tracker.film.early", "tracker.mechanics.predict", "tracker.planning",
    "tracker.pipeline.analyse", "tracker.pipeline.preflight", "tracker.pipeline.verify",
    "tracker.pipeline.write_results", "tracker.report.asked", "tracker.report.series",
)  # fmt: skip
COMMAND = (sys.executable, "-m", "tracker.cli")


@pytest.mark.parametrize("megabytes", [700, 1000])
@pytest.mark.parametrize("command", ["analyse", "batch"])
def test_too_little_memory_is_a_sentence(tmp_path, command, megabytes):
    write_small_test(tmp_path / "S-1")
    limited = f"ulimit -v {megabytes * 1000}; exec {' '.join(COMMAND)} {command} S-1"
    done = subprocess.run(
        ["bash", "-c", limited], cwd=tmp_path, capture_output=True, text=True, timeout=300,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    reported = " ".join((done.stdout + done.stderr).replace("│", "").split())
    assert done.returncode == 3, reported
    assert "too little memory" in reported
    assert "Traceback" not in reported


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="root only")
@pytest.mark.parametrize("command", ["check", "analyse", "batch", "plan", "report", "predict"])
def test_a_folder_that_may_not_be_entered_is_a_sentence(tmp_path, command):
    """Found by `tests/bench/killed.py`, as a user who owns nothing."""
    write_small_test(tmp_path / "S-1")
    (tmp_path / "S-1" / "results").mkdir()
    what = tmp_path / "S-1" / ("results" if command in ("report", "predict") else "record.toml")
    more = ["--mass", "1000 kg", "--speed", "20 m/s"] if command == "predict" else []
    ours, theirs = multiprocessing.Pipe()

    def run_as_nobody():
        os.setgid(65534)
        os.setuid(65534)
        done = CliRunner().invoke(main, [command, str(what), *more])
        theirs.send((done.exit_code, done.output))

    for name in LOADED:  # where the packages can be read by root alone
        importlib.import_module(name)
    child = multiprocessing.get_context("fork").Process(target=run_as_nobody)
    child.start()
    assert ours.poll(60)
    status, reported = ours.recv()
    child.join()
    assert status == 2, reported
    assert "Permission denied" in reported


def test_other_errors_are_not_taken_for_want_of_memory(monkeypatch):
    monkeypatch.setattr(shortage, "address_limit", lambda: None)
    assert machine_problem(MemoryError()) is not None
    assert (
        machine_problem(ImportError("x.so: failed to map segment from shared object")) is not None
    )
    assert machine_problem(ImportError("no module named x")) is None
    assert machine_problem(ValueError("Cannot allocate memory")) is None
    monkeypatch.setattr(shortage, "address_limit", lambda: 10**9)
    assert machine_problem(ImportError("no module named x")) is not None


@pytest.mark.parametrize("closed", ["1", "0,1,2"])
def test_the_workbench_is_served_though_its_output_is_closed(tmp_path, closed):
    """What is printed must not go into the socket that took the number of standard output."""
    write_small_test(tmp_path / "S-1")
    program = (
        f"import os, runpy, sys\nfor n in ({closed},): os.close(n)\n"
        "sys.stdout = None\n"
        f"sys.argv = ['impactfilm', 'open', {str(tmp_path / 'S-1')!r}, '--no-browser']\n"
        "import tracker.workbench.serve as serve\n"
        "real = serve.make_app\n"
        f"def make(bench, token, hosts):\n    with open({str(tmp_path / 'it')!r}, 'w') as file:\n"
        "        file.write(repr(sorted(hosts)))\n"
        "    return real(bench, token, hosts)\n"
        "serve.make_app = make\n"
        "runpy.run_module('tracker.cli', run_name='__main__')\n"
    )
    with subprocess.Popen([sys.executable, "-c", program]) as served:
        try:
            end = time.monotonic() + 60
            while not (tmp_path / "it").exists() and time.monotonic() < end:
                time.sleep(0.1)
            host = json.loads((tmp_path / "it").read_text().replace("'", '"'))[0]
            import httpx

            answer = None
            while answer is None and time.monotonic() < end:
                try:
                    answer = httpx.get(f"http://{host}/", trust_env=False).status_code
                except httpx.TransportError:
                    time.sleep(0.1)
            assert answer in (200, 401, 403)
            assert served.poll() is None
        finally:
            served.terminate()
