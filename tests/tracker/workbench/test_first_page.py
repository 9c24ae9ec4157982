"""What the first page asks of the server: a demonstration, dropped films, the guide.

No source: what is promised stands in docs/security.md.
"""

from __future__ import annotations

import json
import shutil
import sys
import time

import pytest

from tests.support.loopback import TOKEN, Client, served
from tracker.storage.new_folder import ArrivingFile
from tracker.workbench import arrivals, demonstration, guide
from tracker.workbench.routes import Workbench

QUICK = """
import sys
from functools import partial
from pathlib import Path
from tracker.demo import Scenario, write_demo
from tracker.processes.child import run_job
run_job(lambda p: write_demo(Path(sys.argv[1]), p, scenario=Scenario.quick()))
"""


@pytest.fixture(autouse=True)
def settings(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))


@pytest.fixture
def page():
    bench = Workbench()
    with served(bench) as port:
        yield Client(port, {"x-token": TOKEN})
    bench.close()


def ended(page, limit=300):
    end = time.monotonic() + limit
    while (state := page.get("/api/demo").json())["state"] == "running":
        assert time.monotonic() < end
        time.sleep(0.05)
    return state


@pytest.mark.slow
def test_a_demonstration_is_written_and_can_be_opened(page, tmp_path, monkeypatch):
    monkeypatch.setattr(demonstration, "JOB", (sys.executable, "-c", QUICK))
    wanted = {"path": str(tmp_path / "demo"), "scenario": "car into a crush cushion"}
    assert page.post("/api/demo", wanted).json() == {"started": True}
    assert page.post("/api/demo", wanted | {"path": str(tmp_path / "b")}).json() == {
        "started": False
    }
    assert ended(page) == {"state": "done", "folder": str(tmp_path / "demo")}
    assert page.post("/api/open", {"path": str(tmp_path / "demo")}).status_code == 200
    assert not (tmp_path / "b").exists()


def test_a_demonstration_is_written_over_nothing(page, tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes").write_text("dear")
    for place in (tmp_path / "mine", tmp_path / "mine" / "notes", tmp_path / "no" / "demo"):
        answer = page.post("/api/demo", {"path": str(place), "scenario": "pickup into a rail"})
        assert answer.status_code == 422
        assert answer.json()["remedy"].startswith("name a")
    assert page.get("/api/demo").json() == {"state": "idle"}
    assert (tmp_path / "mine" / "notes").read_text() == "dear"


def test_one_that_breaks_down_leaves_nothing_and_says_so(page, tmp_path, monkeypatch):
    monkeypatch.setattr(demonstration, "JOB", (sys.executable, "-c", "1/0"))
    page.post("/api/demo", {"path": str(tmp_path / "d"), "scenario": "pickup into a rail"})
    state = ended(page)
    assert state["state"] == "failed"
    assert "the demonstration ended unexpectedly" in state["what"]
    assert not (tmp_path / "d").exists()


def begin(page, place, *files):
    entries = [{"name": name, "size": size} for name, size in files]
    return page.post("/api/arrivals", {"path": str(place), "files": entries})


def test_films_arrive_whole_in_a_new_folder(page, tmp_path):
    first, second = bytes(range(256)) * 4096, b"time,ax\n"
    begun = begin(page, tmp_path / "n", ("a.mp4", len(first)), ("b.csv", len(second))).json()
    for number, data in enumerate((first, second)):
        assert page.ask("PUT", f"/api/arrivals/{begun['id']}/{number}", data).json()["whole"]
    assert page.post(f"/api/arrivals/{begun['id']}", {"keep": True}).status_code == 200
    assert {p.name: p.read_bytes() for p in (tmp_path / "n").iterdir()} == {
        "a.mp4": first,
        "b.csv": second,
    }


@pytest.mark.parametrize("sent", [b"short", b"longer than was announced"])
def test_what_is_not_as_long_as_was_said_is_not_there(page, tmp_path, sent):
    begun = begin(page, tmp_path / "n", ("a.mp4", 9)).json()
    answer = page.ask("PUT", f"/api/arrivals/{begun['id']}/0", sent)
    assert answer.status_code == 422 or not answer.json()["whole"]
    assert not list((tmp_path / "n").iterdir())
    page.post(f"/api/arrivals/{begun['id']}", {"keep": False})
    assert not (tmp_path / "n").exists()


def test_nothing_is_written_twice(page, tmp_path):
    begun = begin(page, tmp_path / "n", ("a.mp4", 1)).json()
    page.ask("PUT", f"/api/arrivals/{begun['id']}/0", b"1")
    assert page.ask("PUT", f"/api/arrivals/{begun['id']}/0", b"2").status_code == 422
    assert (tmp_path / "n" / "a.mp4").read_bytes() == b"1"
    assert begin(page, tmp_path / "n", ("a.mp4", 1)).status_code == 422


@pytest.mark.parametrize(
    "name",
    [
        *("../a.mp4", "/etc/a.mp4", "a/b.mp4", "a\\b.mp4", ".a.mp4", "record.toml", "a.exe"),
        *("a\0.mp4", "C:a.mp4", "a\n.mp4", "x" * 300 + ".mp4", "", "\ud800.mp4"),
    ],
)
def test_names_that_lead_elsewhere_are_refused(page, tmp_path, name):
    before = sorted(tmp_path.iterdir())
    assert begin(page, tmp_path / "n", (name, 1)).status_code == 422
    assert sorted(tmp_path.iterdir()) == before


def test_other_requests_for_arrivals_are_refused(page, tmp_path):
    for files in (None, [], [{"name": "a.mp4"}], [{"name": "a.mp4", "size": True}], ["a.mp4"]):
        answer = page.post("/api/arrivals", {"path": str(tmp_path / "n"), "files": files})
        assert answer.status_code == 422
    assert begin(page, tmp_path / "n", ("a.mp4", -1)).status_code == 422
    assert begin(page, tmp_path / "n", ("a.mp4", 1), ("A.MP4", 1)).status_code == 422
    assert begin(page, tmp_path / "n", ("a.mp4", 10**18)).status_code == 422  # more than fits
    assert not (tmp_path / "n").exists()
    assert page.ask("PUT", "/api/arrivals/nothing/0", b"").status_code == 422


def test_what_has_not_arrived_goes_with_the_workbench(tmp_path):
    bench = Workbench()
    bench.arrivals.begin(str(tmp_path / "n"), (arrivals.Dropped("a.mp4", 5),))
    bench.close()
    assert not (tmp_path / "n").exists()


def test_dropped_films_are_found_by_name_and_length(page, tmp_path, small_test):
    near = tmp_path / "tests"
    shutil.copytree(small_test, near / "S-1")
    shutil.copytree(small_test, near / "S-2")
    (near / "S-2" / "above.mp4").write_bytes(b"another")
    size = (near / "S-1" / "above.mp4").stat().st_size
    ask = {"files": [{"name": "above.mp4", "size": size}], "near": str(near)}
    assert page.post("/api/dropped", ask).json() == {"folders": [str(near / "S-1")]}
    ask["files"][0]["size"] += 1
    assert page.post("/api/dropped", ask).json() == {"folders": []}
    # a recent test's neighbours are looked at, too
    page.post("/api/open", {"path": str(near / "S-1")})
    ask = {"files": [{"name": "above.mp4", "size": 7}], "near": str(tmp_path / "elsewhere")}
    assert page.post("/api/dropped", ask).json() == {"folders": [str(near / "S-2")]}


def test_the_guide_is_served_without_the_network(page):
    for name in guide.PAGES:
        answer = page.get(f"/guide/{name}")
        assert answer.status_code == 200
        assert "http-equiv" not in answer.text
        assert "<script" not in answer.text
    assert page.get("/guide/pictures/workbench-films.webp").status_code == 200
    for name in ("validation", "../pyproject", "pictures/../guide.md", "pictures/%2e%2e/guide.md"):
        assert page.get(f"/guide/{name}").status_code == 404


def test_a_file_that_does_not_fit_is_given_up(tmp_path):
    file = ArrivingFile(tmp_path / "a.mp4", 3)
    with pytest.raises(OSError, match="longer"):
        file.write(b"1234")
    assert not file.close()
    assert json.dumps([p.name for p in tmp_path.iterdir()]) == "[]"
