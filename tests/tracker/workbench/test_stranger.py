"""A test folder from a stranger: what it names and links to stays out of reach.

The cases are those of an attack on version 0.1.0 (common practice, no source).
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import threading
import zipfile
from contextlib import contextmanager
from io import BytesIO

import pytest

from calibration.errors import Problem
from tests.support.loopback import TOKEN, Client, served
from tests.support.small_scene import write_small_test
from tracker.pipeline.preflight import check_record
from tracker.record.load import load_record
from tracker.record.manual_edits import actions
from tracker.storage.audit_log import Entry, log_text, read_log
from tracker.workbench.history import RecordFile, digest
from tracker.workbench.routes import Workbench
from tracker.workbench.tomledit import Change

pytestmark = pytest.mark.skipif(os.name != "posix", reason="links and pipes")


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small") / "S-1"
    write_small_test(folder)
    return folder


@pytest.fixture(autouse=True)
def settings(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))


@pytest.fixture
def folder(small, tmp_path):
    shutil.copytree(small, tmp_path / "S-1")
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "secret.toml").write_text("secret = 1")
    return tmp_path / "S-1"


@pytest.fixture
def page(folder):
    with served(Workbench(folder, copy=False)) as port:
        client = Client(port, {"x-token": TOKEN})
        client.test = "/api/test/" + client.get("/api/start").json()["first"]
        yield client


def named(folder, film):
    """The record with another film."""
    record = folder / "record.toml"
    record.write_text(record.read_text().replace('film = "above.mp4"', f'film = "{film}"'))
    return record


# What the record names


def test_a_name_that_a_decoder_takes_for_an_address_is_refused(folder, monkeypatch):
    outside = folder.parent / "outside" / "film.mp4"
    shutil.copy(folder / "above.mp4", outside)
    decoy = folder / f"file:{outside}"
    decoy.parent.mkdir(parents=True)
    shutil.copy(folder / "above.mp4", decoy)
    record = named(folder, f"file:{outside}")
    monkeypatch.chdir(folder)
    with pytest.raises(Problem, match="colon"):
        load_record(record.name)


def test_files_are_placed_absolutely_though_the_record_is_not(folder, monkeypatch):
    monkeypatch.chdir(folder)
    assert load_record("record.toml").place("above.mp4") == str(folder / "above.mp4")


@contextmanager
def hanging_up(answer):
    """A server's port, and how often it was contacted: it hangs up after this answer."""
    contacts = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def hang_up():
            while True:
                try:
                    line, _ = server.accept()
                except OSError:
                    return
                contacts.append(1)
                if answer:
                    line.recv(4096)
                    line.sendall(answer)
                line.close()

        threading.Thread(target=hang_up, daemon=True).start()
        yield server.getsockname()[1], contacts
        server.shutdown(socket.SHUT_RDWR)


@pytest.fixture
def remote():
    """An FTP address that hangs up, and how often it was contacted."""
    with hanging_up(b"") as (port, contacts):
        yield f"ftp://127.0.0.1:{port}/a.mp4", contacts


def test_a_film_elsewhere_is_not_contacted_before_the_user_agrees(folder, remote):
    address, contacts = remote
    record = named(folder, address)
    assert any("not fetched" in check.text for check in check_record(record))
    with served(Workbench(folder)) as port:
        page = Client(port, {"x-token": TOKEN})
        test = "/api/test/" + page.get("/api/start").json()["first"]
        assert page.get(test).json()["films"]["above"]["address"] == address
        assert page.get(f"{test}/frame/above/0").status_code == 422
        assert contacts == []
        film = page.post(f"{test}/fetch", {"address": address}).json()["films"]["above"]
    assert contacts
    assert "can't be reached (the other side hung up)" in film["problem"]
    assert "address" not in film


@pytest.fixture
def broken_off():
    """An HTTP address that promises a film and hangs up in the midst of it."""
    head = b"HTTP/1.1 200 OK\r\nContent-Length: 1000000\r\nAccept-Ranges: bytes\r\n\r\n"
    with hanging_up(head + b"\0" * 5000) as (port, _):
        yield f"http://127.0.0.1:{port}/a.mp4"


def test_a_film_that_breaks_off_on_its_way_is_a_sentence(folder, broken_off):
    named(folder, broken_off)
    with served(Workbench(folder)) as port:
        page = Client(port, {"x-token": TOKEN})
        test = "/api/test/" + page.get("/api/start").json()["first"]
        answer = page.post(f"{test}/fetch", {"address": broken_off})
    assert answer.status_code == 200
    problem = answer.json()["films"]["above"]["problem"]
    assert "can't be reached" in problem
    assert "copy the film to this machine" in problem


# Links in the results


def test_links_among_results_are_neither_listed_nor_given_nor_packed(page, folder):
    results = folder / "results"
    results.mkdir()
    (results / "own.txt").write_text("own")
    os.utime(results / "own.txt", (0, 0))  # 1970, which zip files can't hold
    (results / "link.toml").symlink_to(folder.parent / "outside" / "secret.toml")
    (results / "away").symlink_to(folder.parent / "outside")
    os.mkfifo(results / "pipe")
    listed = page.get(f"{page.test}/files").json()
    assert [entry["path"] for entry in listed] == ["own.txt"]
    packed = page.get(f"{page.test}/all.zip")
    assert zipfile.ZipFile(BytesIO(packed.content)).namelist() == ["own.txt"]
    assert page.get(f"{page.test}/files/own.txt").text == "own"
    for path in ("link.toml", "away/secret.toml", "pipe", "%00", "x" * 5000):
        assert page.get(f"{page.test}/files/{path}").status_code == 404, path


def test_a_results_folder_that_is_a_link_gives_nothing(page, folder):
    (folder / "results").symlink_to(folder.parent / "outside")
    assert page.get(f"{page.test}/files").json() == []
    assert page.get(f"{page.test}/files/secret.toml").status_code == 404
    packed = page.get(f"{page.test}/all.zip")
    assert zipfile.ZipFile(BytesIO(packed.content)).namelist() == []


def test_a_page_among_results_runs_no_script(page, folder):
    (folder / "results").mkdir()
    (folder / "results" / "evil.html").write_text("<script src=evil.js></script>")
    policy = page.get(f"{page.test}/files/evil.html").headers["content-security-policy"]
    assert policy.startswith("sandbox")
    assert "allow-scripts" not in policy
    assert "default-src 'none'" in policy


@pytest.mark.parametrize("target", ["/dev/zero", "deep"])
def test_results_without_an_end_or_a_bottom_leave_the_page_open(page, folder, target):
    (folder / "results").mkdir()
    place = folder / "results" / "results.json"
    if target == "deep":
        place.write_text("[" * 100_000)
    else:
        place.symlink_to(target)
    assert "can't be read" in page.get(page.test).json()["results"]["problem"]


# Links in what the workbench keeps

CHANGE = [Change(("test", "number"), "B")]


@pytest.mark.parametrize("name", [".impactfilm", ".impactfilm/history"])
def test_a_folder_that_leads_elsewhere_is_not_written_through(folder, name):
    place = folder / name
    shutil.rmtree(place, ignore_errors=True)
    place.parent.mkdir(exist_ok=True)
    place.symlink_to(folder.parent / "outside")
    record = RecordFile(folder / "record.toml")
    before = record.text
    with pytest.raises(Problem, match="can't be saved"):
        record.change(digest(before), "a change", CHANGE)
    assert record.text == before
    assert [p.name for p in (folder.parent / "outside").iterdir()] == ["secret.toml"]


@pytest.mark.parametrize("kind", ["link", "pipe", "folder"])
def test_actions_that_are_no_file_are_neither_read_nor_written(folder, kind):
    place = folder / ".impactfilm" / "actions.jsonl"
    place.parent.mkdir(exist_ok=True)
    place.unlink(missing_ok=True)
    secret = folder.parent / "outside" / "secret.toml"
    {"link": lambda: place.symlink_to(secret), "pipe": lambda: os.mkfifo(place)}.get(
        kind, place.mkdir
    )()
    assert actions(folder) == ()
    record = RecordFile(folder / "record.toml")
    before = record.text
    with pytest.raises(Problem, match="can't be saved"):
        record.change(digest(before), "a change", CHANGE)
    assert (record.text, secret.read_text()) == (before, "secret = 1")


@pytest.mark.parametrize("before", ["../../../outside/secret", "{outside}/secret"])
def test_undo_brings_back_no_file_from_elsewhere(folder, before):
    history = folder / ".impactfilm" / "history"
    history.mkdir(parents=True, exist_ok=True)
    text = (folder / "record.toml").read_text()
    name = before.format(outside=folder.parent / "outside")
    steps = {"done": [{"label": "x", "before": name, "after": digest(text)}], "undone": []}
    (history / "steps.json").write_text(json.dumps(steps))
    record = RecordFile(folder / "record.toml")
    with pytest.raises(Problem, match="earlier text of the record is gone"):
        record.undo(digest(text))
    assert record.text == text


def test_a_list_of_steps_without_a_bottom_is_no_list(folder):
    history = folder / ".impactfilm" / "history"
    history.mkdir(parents=True, exist_ok=True)
    (history / "steps.json").write_text("[" * 100_000)
    assert RecordFile(folder / "record.toml").undoable is None


def test_other_ends_of_lines_in_a_value_break_no_entry():
    entry = Entry("edit", "a\u2028b\x85c")
    assert read_log(log_text([entry]), "log")[0].text == entry.text
