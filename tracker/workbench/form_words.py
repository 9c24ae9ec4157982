"""Errors of a record in the form's words.

A record's errors are written for somebody who looks at the file: they name keys and show values as
TOML writes them. In the form an entry has a label, a list is typed with commas between, and text
has no quotes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from tracker.workbench.form_labels import label, place

KEY_PART = re.compile(r'"(?:[^"\\]|\\.)*"|\[(\d+)\]|[^.\[\]"]+')
FIXED = {
    "add it": "fill it in",
    "the table is empty": "there is no entry yet",
    "write it in quotes": "write a line of text",
    "write it in brackets, as [..., ...]": "write its entries with commas between",
    "write it as 2026-06-18, without quotes": "write it as 2026-06-18",
    'write "flash", "contact" or a frame number without quotes': (
        "write flash, contact or a frame number"
    ),
    "write it as [[fx, 0, cx], [0, fy, cy], [0, 0, 1]] in pixels": "write fx, fy, cx, cy in pixels",
    'add it, as time = { column = "time", unit = "s" }': "name the column and its unit, as time, s",
    'add it, as length = "2 m"; or, of a line that is only level or plumb, along = "x" or "z"': (
        "fill it in, as 2 m; or, of a line that is only level or plumb, the axis x or z"
    ),
    'add the ground axis it lies along, as along = "x", or the vehicle it lies on': (
        "fill in the ground axis it lies along, as x, or the vehicle it lies on"
    ),
    "leave primary = true with one of them": "leave the figures of one of them as the judging ones",
    'take out `traffic_face`, or `kind = "pole"`': "take out the traffic face, or the kind",
    "write [{ pixel = [402, 518], frame = 0 }, { pixel = [640, 500], frame = 230 }]": (
        "pick the mark once in a frame"
    ),
    "write schema = 1": "write 1",
    "check exposure and frame_rate": "check exposure and frame rate",
    "write `at`, or `camera` with two or more `picks`": (
        "give its place, or a photograph's camera with two or more picks"
    ),
    "a place of rest is either `at` or picks in a photograph": (
        "a place of rest is either taken from the tape or picked in a photograph"
    ),
    "the scale bar says neither `along` nor `on`": (
        "the scale bar says neither along which axis nor on which vehicle it lies"
    ),
    "add it; only a target with `at`, `size` and a painted `pattern` is found without": (
        "point at it in the film; only a target with place, size and a painted pattern is found "
        "without"
    ),
    "give camera_matrix and distortion, or chessboard, inner_corners and square, or dots, grid and "
    "spacing, or file, or take the lens out": (
        "give its numbers, or the pictures of a board with all that is asked of it, or a file of "
        "a calibration before, and leave the others empty"
    ),
}
"""Sentences that name keys, and what the form says in their place."""
IS_MISSING = re.compile(r"'(\w+)' is missing")
UNKNOWN = re.compile(r"unknown key (.*)")
EXAMPLE = re.compile(r'\bas \w+ = "([^"]*)"')
NO_TABLE = re.compile(r"write a table \[.*\]")
NONE_OF_FORMS = re.compile(r"the lens is in none of its three forms.*")


def form_error(error: Mapping[str, str]) -> dict[str, Any]:
    """An error, {"key", "what", "remedy"}, in the form's words.

    `key` stays and leads to the field; `place` says where it is; `unknown` is the path of an entry
    that this version doesn't know, which the form can only take out.
    """
    key = error["key"]
    path = key_parts(key)
    unknown = UNKNOWN.fullmatch(error["what"])
    if unknown:
        name = unknown[1].strip("'\"")
        return {
            "key": key,
            "place": place(path[:-1]) if len(path) > 1 else "The record",
            "what": f"it holds an entry that this version doesn't know, {name}",
            "remedy": _known_remedy(error["remedy"], path),
            "unknown": path,
        }
    return {
        "key": key,
        "place": place(path) if path else "The record",
        "what": _words(error["what"], path),
        "remedy": _words(error["remedy"], path),
    }


def with_place(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row of the check, or a warning, with the place of its "where" as the form calls it."""
    where = row["where"]
    is_key = "/" not in where and " " not in where and "\\" not in where
    return {**row, "place": place(key_parts(where)) if is_key else where.rpartition("/")[2]}


def key_parts(key: str) -> list[str | int]:
    """The parts of a key path as errors write it: cameras.side.scale[1].length."""
    if key == "the record" or not key:
        return []
    parts: list[str | int] = []
    for found in KEY_PART.finditer(key):
        if found[1]:
            parts.append(int(found[1]) - 1)
        else:
            parts.append(found[0].strip('"'))
    return parts


def _words(text: str, path: list[str | int]) -> str:
    if text in FIXED:
        return FIXED[text]
    if missing := IS_MISSING.fullmatch(text):
        own = _name(path, missing[1])
        return "it is missing" if own is None else f"“{own}” is missing"
    if NO_TABLE.fullmatch(text):
        return "mend it in the record's file, or take it out"
    if NONE_OF_FORMS.fullmatch(text):
        return "the lens is given in no way that is complete, or in several"
    text = EXAMPLE.sub(r"as \1", text).replace("add it, as", "fill it in, as")
    text = text.replace("is not a list of", "doesn't have").replace("is not a list", "is no list")
    text = _name_in_form(text)
    if re.search(r"\[.*\]", text):
        text = re.sub(r"\[([^\[\]]*)\]", _entries_text, text)
        text = text.replace("[", "").replace("]", "")
    return text


def _entries_text(found: re.Match[str]) -> str:
    """The entries of a list as they are typed into the form."""
    return re.sub(r"""["']""", "", found[1])


def _name_in_form(text: str) -> str:
    """Names of keys in words: a rate, not a roll_rate."""
    return re.sub(r"\b(?:roll|pitch|yaw)_rate\b", lambda m: m[0].replace("_", " "), text)


def _name(path: list[str | int], key: str) -> str | None:
    """The label of an entry that an error names, unless the error stands at its own field."""
    if path and path[-1] == key:
        return None
    return label([*path, key])


def _known_remedy(remedy: str, path: list[str | int]) -> str:
    """What to do about an entry that nobody knows, with labels in the place of keys."""
    close = re.fullmatch(r"write '(\w+)'", remedy)
    meant = label([*path[:-1], close[1]]) if close else None
    return f"take it out and fill in “{meant}” in its place" if meant else "take it out"
