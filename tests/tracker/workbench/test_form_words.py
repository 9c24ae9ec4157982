"""Errors of a record in the form's words: no key, no TOML, and the field by its label.

What a record may hold is taken from its schema, what an error may say from the sources of the room
that says it.
"""

from __future__ import annotations

import ast
import copy
import itertools
import re
import shutil
import tomllib
import typing
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
import tomlkit
from pydantic import BaseModel

from tests.support.loopback import TOKEN, Client, served
from tracker import record
from tracker.record.load import InvalidRecordError, load_record
from tracker.record.schema import Tables
from tracker.workbench.form_labels import LABELS, label, place
from tracker.workbench.form_words import form_error, key_parts
from tracker.workbench.routes import Workbench

KEYS = {part for key in LABELS for part in key.split(".") if part != "*"}
CODED = sorted(key for key in KEYS if "_" in key)
CODE = re.compile(rf"`|\[|\]| = |in quotes|without quotes|'\w+' is missing|{'|'.join(CODED)}")
"""What a text in the form may not hold: keys of more than one word, TOML, what a file wants."""


def bare(annotation):
    """An annotation without `Annotated` and `| None`."""
    if typing.get_origin(annotation) is typing.Annotated:
        return bare(typing.get_args(annotation)[0])
    given = [a for a in typing.get_args(annotation) if a is not type(None)]
    kept = (Mapping, tuple, dict, list, None, typing.Literal)
    if typing.get_origin(annotation) not in kept and len(given) == 1:
        return bare(given[0])
    return annotation


def leaves(annotation, at: tuple[str, ...] = ()) -> Iterator[str]:
    """Key patterns of everything that may lie below."""
    found = bare(annotation)
    if isinstance(found, type) and issubclass(found, BaseModel):
        for name, field in found.model_fields.items():
            yield from leaves(field.annotation, (*at, field.alias or name))
    elif typing.get_origin(found) is Mapping:
        yield from leaves(typing.get_args(found)[1], (*at, "*"))
    elif typing.get_origin(found) is tuple and is_table(bare(typing.get_args(found)[0])):
        yield from leaves(typing.get_args(found)[0], (*at, "*"))
    else:
        yield ".".join(at)


def is_table(found) -> bool:
    return isinstance(found, type) and issubclass(found, BaseModel)


def test_every_entry_of_a_record_has_a_label():
    assert set(leaves(Tables)) == set(LABELS)


@pytest.mark.parametrize("key", sorted(LABELS))
def test_an_error_names_the_field_by_its_label(key):
    lists = ("accelerometers", "scale", "straight", "edits", "ruled_out", "events", "more")
    parts = key.split(".")
    path = [
        (0 if parts[at - 1] in lists else "g1") if part == "*" else part
        for at, part in enumerate(parts)
    ]
    text = "".join(
        f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in path
    ).lstrip(".")
    assert key_parts(text) == path
    found = form_error({"key": text, "what": f"'{path[-1]}' is missing", "remedy": "add it"})
    assert found["place"].endswith(LABELS[key])
    assert not CODE.search(found["place"])
    assert (found["what"], found["remedy"]) == ("it is missing", "fill it in")


def text_of(node: ast.AST) -> str | None:
    """A text in the source, with 7 for what is worked out."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(v.value if isinstance(v, ast.Constant) else "7" for v in node.values)
    return None


SAYING = {"refuse", "listed", "several", "list_of_length", "RecordError", "UnitError"}


def sentences() -> set[str]:
    """Every text that may become part of an error of a record."""
    home = Path(record.__file__).parent
    found = set()
    for path in (*home.glob("*.py"), home.parent / "core" / "units.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            says = isinstance(node, (ast.Yield, ast.Return)) or (
                isinstance(node, ast.Call) and getattr(node.func, "id", "") in SAYING
            )
            parts = {c for n in ast.walk(node) if isinstance(n, ast.JoinedStr) for c in n.values}
            for inner in ast.walk(node) if says else ():
                text = None if inner in parts else text_of(inner)
                if text is not None and " " in text.strip():
                    found.add(text)
    return found


def test_no_sentence_names_keys_or_asks_for_toml():
    found = sentences()
    assert len(found) > 100
    shown = {
        text: form_error({"key": "cameras.side.film", "what": text, "remedy": text})
        for text in found
    }
    coded = {
        text: error["remedy"]
        for text, error in shown.items()
        if not text.startswith("unknown key")  # the entry's own name, which no field has
        and (CODE.search(error["what"]) or CODE.search(error["remedy"]))
    }
    assert coded == {}


def test_a_sentence_with_a_key_would_be_found():
    for text in ("check marker_u", "write it as [1, 2] = 3", "add `at`", "write it in quotes!"):
        assert CODE.search(text)


BAD = (7, -1e12, True, "words", "", [], [1], ["1 m", "2 m"], {}, {"a": 1}, "5 bananas", "x\ny")


def with_value(raw: dict, path: list, value: object) -> dict:
    """The record with another value at a path, whose tables are made where there are none."""
    raw = copy.deepcopy(raw)
    here = raw
    for part, after in itertools.pairwise(path):
        if isinstance(here, list):
            if not here:
                here.append({})
            here = here[0]
        else:
            here = here.setdefault(part, [] if isinstance(after, int) else {})
    if isinstance(here, list):
        here[:] = [value]
    else:
        here[path[-1]] = value
    return raw


@pytest.mark.parametrize("key", sorted(set(LABELS) - {"schema"}))
def test_errors_of_records_with_any_value_there_are_in_the_forms_words(key, small_test, tmp_path):
    shutil.copy(small_test / "above.mp4", tmp_path)
    raw = tomllib.loads((small_test / "record.toml").read_text("utf-8"))
    lists = ("accelerometers", "scale", "straight", "edits", "ruled_out", "events", "more")
    names = {"vehicles": "car", "cameras": "above", "survey": "g1", "channels": "ax"}
    parts = key.split(".")
    path = [
        (0 if parts[at - 1] in lists else names.get(parts[at - 1], "roof1"))
        if part == "*"
        else part
        for at, part in enumerate(parts)
    ]
    refused = 0
    for value in BAD:
        try:
            text = tomlkit.dumps(with_value(raw, path, value))
        except (TypeError, ValueError):
            continue
        (tmp_path / "record.toml").write_text(text, encoding="utf-8")
        try:
            load_record(tmp_path / "record.toml")
        except InvalidRecordError as problem:
            for error in problem.errors:
                where = error.where.split(", ", 1)[1]
                shown = form_error({"key": where, "what": error.what, "remedy": error.remedy})
                what = shown["what"] if "unknown" not in shown else ""
                reported = f"{shown['place']} | {what} | {shown['remedy']}"
                assert not CODE.search(reported), reported
                refused += error.where.endswith(path[-1]) if isinstance(path[-1], str) else 1
    assert refused


def test_an_entry_that_nobody_knows_can_be_taken_out(small_copy, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    file = small_copy / "record.toml"
    before = file.read_bytes()
    file.write_bytes(before + b"\n[survey]\nmarkr_u = '2 mm'\n")
    with served(Workbench(small_copy)) as port:
        page = Client(port, {"x-token": TOKEN})
        at = "/api/test/" + page.get("/api/start").json()["first"]
        state = page.get(at).json()
        (error,) = state["errors"]
        assert error["place"] == "Survey"
        assert "“Standard uncertainty of vehicle markers”" in error["remedy"]
        change = {"path": error["unknown"], "value": None}
        body = {"hash": state["hash"], "label": "taken out", "changes": [change]}
        assert page.post(f"{at}/record", body).json()["errors"] == []


def test_places_read_as_the_form_shows_them():
    for path, text in (
        (["cameras", "side", "survey", "g1", "pixel"], "Camera side, fixed target g1: Pick u, v"),
        (["survey", "ground_u"], "Survey: Standard uncertainty of fixed targets"),
        (["vehicles", "car", "points", "hood"], "Vehicle car, point hood: At x, y, z"),
        (["accelerometers", 1, "channels", "ax", "unit"], "Accelerometers 2, channel ax: Unit"),
        (["cameras", "side"], "Camera side"),
        ([], "The record"),
    ):
        assert place(path) == text
    assert label(["vehicles", "vehicles", "mass"]) == LABELS["vehicles.*.mass"]
