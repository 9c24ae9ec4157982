"""The registry lists every code of the packages, and no other."""

import ast
import re
from pathlib import Path

import pytest

import calibration
import tracker
from calibration.findings import CODES, Diagnostic

CODE = re.compile(r"[a-z]+(_[a-z]+)+")
PACKAGES = [Path(package.__file__).parent for package in (calibration, tracker)]
REGISTRY = PACKAGES[0] / "findings.py"
CALLS = [
    (file, node)
    for package in PACKAGES
    for file in sorted(package.rglob("*.py"))
    if file != REGISTRY
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
    if isinstance(node, ast.Call)
]


def texts(call):
    """Constant texts among a call's arguments."""
    values = [*call.args, *(keyword.value for keyword in call.keywords)]
    return {v.value for v in values if isinstance(v, ast.Constant) and isinstance(v.value, str)}


def given():
    """Codes that the source gives to diagnostics, by name or through a function that makes one."""
    found = {}
    for file, call in CALLS:
        name = getattr(call.func, "id", getattr(call.func, "attr", ""))
        if name in ("Diagnostic", "_note", "_between"):
            for text in texts(call):
                if CODE.fullmatch(text):
                    found[text] = file
    return found


def test_every_code_that_a_diagnostic_is_given_is_registered():
    assert len(given()) > 50  # the search finds them
    assert {code: file for code, file in given().items() if code not in CODES} == {}


def test_every_registered_code_is_used():
    source = "".join(
        file.read_text(encoding="utf-8")
        for package in PACKAGES
        for file in package.rglob("*.py")
        if file != REGISTRY
    )
    assert [code for code in CODES if f'"{code}"' not in source] == []


@pytest.mark.parametrize("code", CODES)
def test_a_code_is_lower_case_words_with_a_meaning_and_a_grade(code):
    assert CODE.fullmatch(code)
    assert CODES[code].meaning
    assert not CODES[code].meaning.endswith(".")
    assert Diagnostic(code, "").grade == CODES[code].grade


def test_a_code_of_another_version_calls_for_caution():
    assert Diagnostic("no_longer_used", "").grade == "caution"


def test_a_place_is_added_without_changing_the_rest():
    found = Diagnostic("flash_short", "the flash is short")
    placed = found.at("cameras.side.time")
    assert (placed.code, placed.text, placed.where) == (found.code, found.text, "cameras.side.time")
    assert found.where == ""
