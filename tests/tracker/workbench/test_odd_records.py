"""Records and requests with values that no page expects: it opens, names them, and undo works.

The cases are those of an attack on version 0.1.0 (common practice, no source); JSON has no numbers
that are not finite (RFC 8259, 6).
"""

from __future__ import annotations

import json

import pytest

from tests.support.loopback import TOKEN, Client, served
from tracker.record.manual_edits import actions
from tracker.storage.audit_log import Entry, log_text
from tracker.workbench.history import RecordFile, digest
from tracker.workbench.routes import Workbench
from tracker.workbench.tomledit import Change


@pytest.fixture(autouse=True)
def settings(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))


@pytest.fixture
def page(small_copy):
    with served(Workbench(small_copy, copy=False)) as port:
        client = Client(port, {"x-token": TOKEN})
        client.test = "/api/test/" + client.get("/api/start").json()["first"]
        yield client


def refused(number):
    raise ValueError(number)


@pytest.mark.parametrize(
    ("line", "reported"),
    [
        ("[xx]\ny = nan", "xx"),
        ("[xx]\ny = [inf, -inf]", "xx"),
        ("[survey]\nground_u = nan", "survey.ground_u"),
        ("[survey]\nground_u = 99999999999999999999999999", "survey.ground_u"),
        ("[survey]\nground_u = 0x" + "f" * 200, "survey.ground_u"),
        ("[xx]\ny = " + "9" * 5000, "TOML"),
        ("[xx]\ny = 0x" + "f" * 6000, "TOML"),
        ("[xx]\ny = " + "[" * 5000 + "]" * 5000, "TOML"),
        ("[xx]\ny = " + "{a=" * 800 + "1" + "}" * 800, "TOML"),
        ("[xx]\n" + "a." * 20_000 + "b = 1", "TOML"),
        ("[xx]\n" + '"a\\"b".' * 8000 + "b = 1", "TOML"),
        ("[xx]\ny = [", "TOML"),
    ],
)
def test_the_page_opens_tells_the_field_and_undoes(page, small_copy, line, reported):
    record = small_copy / "record.toml"
    before = record.read_text("utf-8")
    page_hash = page.get(page.test).json()["hash"]
    body = {"hash": page_hash, "label": "a title", "changes": [_title("first")]}
    assert page.post(f"{page.test}/record", body).status_code == 200
    changed = record.read_text("utf-8")
    record.write_text(changed + "\n" + line + "\n", encoding="utf-8")
    answer = page.get(page.test)
    assert answer.status_code == 200
    state = json.loads(answer.text, parse_constant=refused)
    assert any(reported in f"{error['key']} {error['what']}" for error in state["errors"])
    for _ in range(2):
        answer = page.post(f"{page.test}/undo", {"hash": state["hash"]})
        assert answer.status_code == 200
        state = answer.json()
    assert record.read_text("utf-8") == before


def _title(value):
    return {"path": ["test", "title"], "value": value}


@pytest.mark.parametrize(
    ("way", "path", "body"),
    [
        ("get", "{test}/files/x%00", None),
        ("get", "{test}/files/" + "a" * 5000, None),
        ("get", "/api/folders?at=%00", None),
        ("get", "{test}/frame/above/" + "9" * 5000, None),
        ("get", "{test}/frame/above/99999999", None),
        ("post", "/api/open", {"path": "a\0b"}),
        ("post", "/api/open", {"path": "a" * 5000}),
        ("post", "/api/open", {"path": "\ud800"}),
        ("post", "/api/new", {"path": "\0", "number": "1", "kind": "one vehicle alone"}),
        ("post", "/api/new", {"path": "{folder}", "number": "\ud800"}),
        ("post", "{test}/snap", {"pixel": [float("nan"), 1]}),
        ("post", "{test}/snap", {"pixel": [float("inf"), 1]}),
        ("post", "{test}/snap", {"pixel": [1, 1], "pattern": "star"}),
        ("post", "{test}/snap", {"pixel": [1, 1], "frame": float("inf")}),
        ("post", "{test}/record", _title("\ud800")),
        ("post", "{test}/record", _title(float("nan"))),
        ("post", "{test}/record", {"path": ["accelerometers", "+"], "value": 3}),
        ("post", "{test}/record", {"path": ["\ud800"], "value": 3}),
        ("post", "{test}/record", {"path": ["test", "title", "x", "y"], "value": 3}),
    ],
)
def test_nonsense_is_a_sentence(page, small_copy, way, path, body):
    path = path.replace("{test}", page.test)
    if way == "get":
        answer = page.get(path)
    else:
        if "snap" in path:
            body = {"camera": "above", "mark": "x", "pattern": "disc", "frame": 0} | body
        elif "record" in path:
            body = {"hash": page.get(page.test).json()["hash"], "label": "x", "changes": [body]}
        elif body.get("path") == "{folder}":
            (small_copy / "new").mkdir()
            (small_copy / "new" / "a.mp4").write_bytes(b"")
            body = {**body, "path": str(small_copy / "new")}
        answer = page.post(path, body)
    assert answer.status_code in (404, 422)
    assert answer.json()["what"]
    assert page.get(page.test).status_code == 200  # and all is well afterwards


# What lies in the file stays as it was


@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_ends_of_lines_and_a_byte_order_mark_stay_and_undo_restores_the_bytes(
    small_copy, mark, end
):
    record = small_copy / "record.toml"
    whole = (mark + record.read_text("utf-8").replace("\n", end)).encode()
    record.write_bytes(whole)
    file = RecordFile(record)
    file.change(digest(file.text), "x", [Change(("cameras", "above", "bits"), 8)])
    file.change(digest(file.text), "x", [Change(("test", "report", "client"), "n")])
    lines = record.read_bytes().decode()
    assert lines.startswith(mark)
    assert lines.count("\n") == lines.count(end)
    assert lines.count("\n") > whole.count(b"\n")
    file.undo(digest(file.text))
    file.undo(digest(file.text))
    assert record.read_bytes() == whole


@pytest.mark.parametrize("step", [{"label": 1}, {"before": 1}, {"after": [1]}, {"label": "\ud800"}])
def test_a_step_that_is_no_step_is_no_list(small_copy, step):
    record = small_copy / "record.toml"
    file = RecordFile(record)
    file.change(digest(file.text), "x", [Change(("cameras", "above", "bits"), 8)])
    place = small_copy / ".impactfilm" / "history" / "steps.json"
    steps = json.loads(place.read_text("utf-8"))
    steps["done"][0] |= step
    place.write_text(json.dumps(steps), encoding="utf-8")
    again = RecordFile(record)
    assert again.undoable is None
    again.undo(digest(again.text))


@pytest.mark.parametrize("value", ["NaN", "1e999", '"\\ud800"'])
def test_an_action_that_no_log_can_hold_is_left_out(small_copy, value):
    """JSON texts are UTF-8 and have no numbers that are not finite (RFC 8259, 6 and 8.1)."""
    (small_copy / ".impactfilm").mkdir()
    good = log_text([Entry("edit", "good", at="2026-01-01T00:00:00Z")])
    bad = f'{{"kind": "edit", "text": "bad", "data": {{"value": {value}}}}}\n'
    (small_copy / ".impactfilm" / "actions.jsonl").write_text(bad + good, encoding="utf-8")
    found = actions(small_copy)
    assert [entry.text for entry in found] == ["good"]
    log_text(found).encode()
