"""The workbench's server: who is let in, what can be reached, how changes are kept.

Common practice for programs that serve a page on loopback, no source; HTTP semantics of status
codes: RFC 9110.
"""

from __future__ import annotations

import contextlib
import shutil
import time
from pathlib import Path

import numpy as np
import pytest

from tests.support.loopback import FIRST, TOKEN, Client, served
from tests.support.made_results import made_results
from tests.support.small_scene import FRAMES, SIZE, marker
from tracker.film import open_film
from tracker.record.load import load_record
from tracker.results.folder import write_data
from tracker.storage.audit_log import read_log
from tracker.workbench.film_process import FilmProcess
from tracker.workbench.first_record import KINDS, write_first_record
from tracker.workbench.frame_store import Frames
from tracker.workbench.routes import Workbench


@pytest.fixture(autouse=True)
def settings(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))


@pytest.fixture
def test_folder(small_copy):
    return small_copy


@pytest.fixture
def port(test_folder):
    with served(Workbench(test_folder)) as port:
        yield port


@pytest.fixture
def page(port):
    return Client(port, {"x-token": TOKEN})


@pytest.fixture
def again(test_folder):
    """A second server on the same folder, started after the test has begun."""
    with contextlib.ExitStack() as stack:

        def start():
            port = stack.enter_context(served(Workbench(test_folder)))
            return Client(port, {"x-token": TOKEN})

        yield start


@pytest.fixture
def test_(page):
    return "/api/test/" + page.get("/api/start").json()["first"]


def change(page, test_, seen, *changes, label="a change"):
    body = {
        "hash": seen,
        "label": label,
        "changes": [{"path": path, "value": value} for path, value in changes],
    }
    return page.post(f"{test_}/record", body)


# Who is let in


def test_nothing_is_answered_without_the_token(port):
    for stranger in (Client(port, {}), Client(port, {"x-token": "guessed"})):
        for path in ("/", "/api/start", "/static/main.js", "/?token=guessed"):
            assert stranger.get(path).status_code == 403


def test_the_address_with_the_token_lets_the_browser_in_by_a_cookie(port):
    browser = Client(port, {})
    answer = browser.get(f"/?token={FIRST}")
    assert answer.status_code == 200
    cookie = answer.headers["set-cookie"]
    assert "SameSite=Strict" in cookie
    assert "HttpOnly" in cookie
    assert FIRST not in cookie
    carried = cookie.split(";")[0]
    assert str(port) in carried.split("=")[0]  # browsers give a cookie to every port
    assert browser.get("/api/start", cookie=carried).status_code == 200
    assert browser.get(f"/?token={FIRST}", cookie=carried).status_code == 200
    assert browser.get("/api/start", cookie=carried[:-1]).status_code == 403
    other = carried.replace(str(port), "1")
    assert browser.get("/api/start", cookie=other).status_code == 403


def test_the_token_of_the_address_opens_the_page_once(port):
    assert Client(port, {}).get(f"/?token={FIRST}").status_code == 200
    late = Client(port, {}).get(f"/?token={FIRST}")
    assert late.status_code == 403
    assert "opened already" in late.text
    assert Client(port, {"x-token": FIRST}).get("/api/start").status_code == 403
    known = Client(port, {"cookie": f"impactfilm-{port}={FIRST}"})
    assert known.get("/api/start").status_code == 403


def test_a_file_hands_the_token_over_but_another_page_opens_nothing(port):
    """A page of a file has no origin (HTML, 7.1.1): its requests are cross-site."""
    browser = Client(port, {"sec-fetch-site": "cross-site", "origin": "null"})
    assert browser.get("/?token=guessed").status_code == 403
    answer = browser.get(f"/?token={FIRST}")
    assert answer.status_code == 200
    carried = answer.headers["set-cookie"].split(";")[0]
    assert browser.get("/api/start", cookie=carried).status_code == 403


def test_a_cookie_of_many_backslashes_costs_nothing(port):
    """Python's own reader takes time with the square of them (from memory: CVE-2024-7592)."""
    begun = time.monotonic()
    cookie = 'a="' + "\\" * 40_000 + '"'
    assert Client(port, {}).get("/api/start", cookie=cookie).status_code == 403
    assert time.monotonic() - begun < 2.0


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1:1", "127.0.0.1"])
def test_another_name_for_this_machine_is_refused(page, host):
    assert page.get("/api/start", host=host).status_code == 403


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_requests_that_other_pages_make_are_refused(page, headers):
    assert page.get("/api/start").status_code == 200
    assert page.get("/api/start", **headers).status_code == 403


def test_the_page_may_load_nothing_from_elsewhere(page):
    answer = page.get("/")
    assert "default-src 'self'" in answer.headers["content-security-policy"]
    assert "://" not in answer.text


# What can be reached


@pytest.mark.parametrize(
    "path",
    [
        "../record.toml",
        "..%2f..%2frecord.toml",
        "%2e%2e/record.toml",
        "/etc/passwd",
        "%2fetc%2fpasswd",
        "a/../../record.toml",
    ],
)
def test_no_file_outside_the_results_is_given(page, test_, test_folder, path):
    write_data(made_results(), made(test_folder / "results"))
    assert page.get(f"{test_}/files/results.json").status_code == 200
    answer = page.get(f"{test_}/files/{path}")
    assert answer.status_code == 404
    assert "schema" not in answer.text


def test_a_link_in_the_results_leads_nowhere(page, test_, test_folder):
    write_data(made_results(), made(test_folder / "results"))
    (test_folder / "results" / "out.txt").symlink_to("/etc/hostname")
    assert page.get(f"{test_}/files/out.txt").status_code == 404


@pytest.mark.parametrize(
    "film", ["/etc/hostname", "../other.mp4", "file:///etc/hostname", "memory://a.mp4"]
)
def test_films_outside_the_folder_are_not_shown(page, test_, film):
    seen = page.get(test_).json()["hash"]
    state = change(page, test_, seen, (["cameras", "above", "film"], film)).json()
    assert "problem" in state["films"]["above"]
    assert page.get(f"{test_}/frame/above/0").status_code == 422


def test_a_frame_is_given_as_it_is_in_the_film(page, test_, test_folder):
    film = open_film(str(test_folder / "above.mp4"))
    for frame in (0, FRAMES - 1, 7):
        grey = np.frombuffer(page.get(f"{test_}/frame/above/{frame}").content, np.uint8)
        assert np.array_equal(grey.reshape(SIZE[::-1]), film.frame(frame))
    assert page.get(f"{test_}/frame/above/{FRAMES}").status_code == 422
    assert page.get(f"{test_}/frame/nobody/0").status_code == 422


def test_the_working_copy_holds_the_very_frames(test_folder):
    film = open_film(str(test_folder / "above.mp4"))
    frames = Frames(FilmProcess(str(test_folder / "above.mp4")))
    assert frames.has_copy
    for _ in range(500):
        if frames.copied_count == FRAMES:
            break
        time.sleep(0.02)
    assert frames.copied_count == FRAMES
    for frame in (FRAMES - 1, 3, 21):
        assert np.array_equal(frames.luma(frame), film.frame(frame))


def made(folder: Path) -> Path:
    folder.mkdir()
    return folder


# How changes are kept


def test_a_change_lands_in_the_record_and_leaves_its_comments(page, test_, test_folder):
    before = (test_folder / "record.toml").read_text()
    seen = page.get(test_).json()["hash"]
    change(page, test_, seen, (["cameras", "above", "picks", "car.roof1", "pixel"], [99.25, 101]))
    after = (test_folder / "record.toml").read_text()
    differing = [
        (a, b) for a, b in zip(before.splitlines(), after.splitlines(), strict=True) if a != b
    ]
    assert len(differing) == 1
    assert '"car.roof1" = { pixel = [99.25, 101]' in differing[0][1]
    assert load_record(test_folder).cameras["above"].picks["car.roof1"].pixel == (99.25, 101.0)


def test_everything_can_be_undone_and_done_again(page, test_, test_folder):
    text = [(test_folder / "record.toml").read_text()]
    acts = [
        (["cameras", "above", "edits", "+"], {"mark": "car.roof2", "frame": 5, "pixel": [10, 20]}),
        (["cameras", "above", "ruled_out", "+"], {"mark": "car.roof2", "first": 8, "last": 9}),
        (["cameras", "above", "time", "zero"], "contact"),
        (["vehicles", "car", "markers", "roof9"], {"at": ["1 m", "0 m", "-1 m"]}),
        (["cameras", "above", "picks", "car.roof5"], None),
    ]
    for path, value in acts:
        assert change(page, test_, page.get(test_).json()["hash"], (path, value)).status_code == 200
        text.append((test_folder / "record.toml").read_text())
    for expected in reversed(text[:-1]):
        page.post(f"{test_}/undo", {"hash": page.get(test_).json()["hash"]})
        assert (test_folder / "record.toml").read_text() == expected
    for expected in text[1:]:
        page.post(f"{test_}/redo", {"hash": page.get(test_).json()["hash"]})
        assert (test_folder / "record.toml").read_text() == expected


def test_undo_outlives_the_server(page, test_, test_folder, again):
    before = (test_folder / "record.toml").read_text()
    change(page, test_, page.get(test_).json()["hash"], (["test", "title"], "Renamed"))
    later = again()
    state = later.get(test_).json()
    assert state["undo"] == "a change"
    later.post(f"{test_}/undo", {"hash": state["hash"]})
    assert (test_folder / "record.toml").read_text() == before


def test_a_step_that_was_noted_but_not_written_is_forgotten(page, test_, test_folder, again):
    before = (test_folder / "record.toml").read_text()
    change(page, test_, page.get(test_).json()["hash"], (["test", "title"], "Renamed"))
    (test_folder / "record.toml").write_text(before)  # as if the server had died between the two
    state = again().get(test_).json()
    assert state["undo"] is None


def test_two_windows_do_not_overwrite_each_other(page, test_, test_folder):
    seen = page.get(test_).json()["hash"]
    assert change(page, test_, seen, (["test", "title"], "First")).status_code == 200
    late = change(page, test_, seen, (["test", "title"], "Second"))
    assert late.status_code == 409
    assert load_record(test_folder).test.title == "First"


def test_a_change_by_a_text_editor_is_noticed_and_can_be_undone(page, test_, test_folder):
    record = test_folder / "record.toml"
    change(page, test_, page.get(test_).json()["hash"], (["test", "title"], "By the page"))
    mine = record.read_text()
    record.write_text(mine.replace("By the page", "By hand"))
    state = page.get(test_).json()
    assert state["raw"]["test"]["title"] == "By hand"
    page.post(f"{test_}/undo", {"hash": state["hash"]})
    assert record.read_text() == mine


def test_each_action_is_logged(page, test_, test_folder):
    path = ["cameras", "above", "time", "zero"]
    change(page, test_, page.get(test_).json()["hash"], (path, 13), label="time zero set")
    page.post(f"{test_}/undo", {"hash": page.get(test_).json()["hash"]})
    text = (test_folder / ".impactfilm" / "actions.jsonl").read_text()
    entries = read_log(text, "actions")
    assert [entry.text for entry in entries] == ["time zero set", "undone: time zero set"]
    assert entries[0].data["changes"] == [{"path": path, "value": 13}]


def test_what_is_wrong_is_reported_at_its_field(page, test_):
    seen = page.get(test_).json()["hash"]
    state = change(page, test_, seen, (["cameras", "above", "exposure"], "0.2")).json()
    assert [error["key"] for error in state["errors"]] == ["cameras.above.exposure"]
    assert page.post(f"{test_}/analyse").status_code == 422


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b'{"hash": 1, "changes": 2}', b"[" * 100_000])
def test_nonsense_is_refused_in_a_sentence(page, test_, body):
    answer = page.post(f"{test_}/record", content=body)
    assert answer.status_code == 422
    assert answer.json()["what"] == "the request can't be understood"


def test_a_new_test_begins_with_a_camera_for_each_film(page, test_folder, tmp_path):
    folder = tmp_path / "new one"
    folder.mkdir()
    shutil.copy(test_folder / "above.mp4", folder / "1 above.mp4")
    made_ = page.post(
        "/api/new", {"path": str(folder), "number": "N-1", "kind": "one vehicle alone"}
    ).json()
    state = page.get(f"/api/test/{made_['id']}").json()
    assert state["raw"]["test"]["number"] == "N-1"
    assert [film["frames"] for film in state["films"].values()] == [FRAMES]
    refused = page.post(
        "/api/new", {"path": str(folder), "number": "N-2", "kind": "one vehicle alone"}
    )
    assert refused.status_code == 422


@pytest.mark.parametrize("kind", list(KINDS))
def test_a_new_record_of_each_kind_can_be_read(test_folder, tmp_path, kind):
    shutil.copy(test_folder / "above.mp4", tmp_path)
    record = load_record(write_first_record(tmp_path, "N-1", kind))
    assert {v: e.role for v, e in record.vehicles.items()} == KINDS[kind].vehicles
    assert (record.article is not None) == (KINDS[kind].article is not None)


def test_a_rough_pick_snaps_to_the_centre(page, test_):
    u, v = marker("roof1", 6)
    asked = {"camera": "above", "frame": 6, "mark": "car.roof1", "pattern": "quadrant"}
    found = page.post(f"{test_}/snap", {**asked, "pixel": [u + 2.5, v - 2]}).json()
    assert found["ok"]
    # Painted by area sampling that shares nothing with the fit; noise of 1 grey in 190.
    assert np.hypot(found["pixel"][0] - u, found["pixel"][1] - v) < 0.1
    nowhere = page.post(f"{test_}/snap", {**asked, "pixel": [30, 160]}).json()
    assert not nowhere["ok"]
    assert nowhere["pixel"] == [30, 160]
