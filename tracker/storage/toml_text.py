"""TOML of others: read in a time and a memory that grow with its length alone.

A parser takes both with the square of the parts of a dotted key, and with each level of brackets a
level of its own calls. One pass over the text, before any parser sees it, refuses such a text.
"""

from __future__ import annotations

import math
import re
import tomllib
from typing import Any

PARTS = 8
"""Most parts of a dotted key."""
LONG_KEYS = 2000
"""Most dotted keys of more than two parts."""
LEVELS = 16
"""Most brackets in one another."""
LETTERS = 256
"""Most letters of a number or of a key without quotes."""
WHOLE = 2**63
"""Whole numbers are less than this (TOML 1.0.0: 64 bits, signed)."""
_STRING = re.compile(
    r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*+"{3,5}'
    r"|'''(?:[^']|'{1,2}(?!'))*+'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*+"'
    r"|'[^'\n]*+'",
    re.DOTALL,
)
_TOKEN = re.compile(r"""[ \t\r]++|#[^\n]*+|[^\s#"'.=,\[\]{}]++|["'.=,\[\]{}\n]|.""", re.DOTALL)


class TooDeepError(ValueError):
    """Tables nested too deep, or a number too long, to be read; `line` counts from 1."""

    def __init__(self, line: int) -> None:
        super().__init__("tables nested too deep, or a number or name too long to show")
        self.line = line


def toml_tables(text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises `tomllib.TOMLDecodeError`, or `TooDeepError`."""
    check_bounds(text)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except (RecursionError, ValueError):
        raise TooDeepError(1) from None


def check_bounds(text: str) -> None:
    """Raise `TooDeepError` where a text is nested deeper, or names longer, than is read.

    What stands in quotes and after # counts as one part, whatever it holds. Where quotes don't end
    the pass ends, too: no parser comes further.
    """
    at, levels, parts, long_keys = 0, 0, 1, 0
    while at < len(text):
        token = _STRING.match(text, at) if text[at] in "\"'" else _TOKEN.match(text, at)
        if token is None:
            return
        first = text[at]
        if first in "[{":
            levels, parts = levels + 1, 1
        elif first in "]}":
            levels, parts = max(levels - 1, 0), 1
        elif first in "=,\n":
            parts = 1
        elif first == ".":
            parts += 1
            long_keys += parts == 3
        is_long = first not in "\"'# \t\r" and token.end() - at > LETTERS
        if is_long or levels > LEVELS or parts > PARTS or long_keys > LONG_KEYS:
            raise TooDeepError(text.count("\n", 0, at) + 1)
        at = token.end()


def plain_tables(tables: Any) -> Any:
    """The same in values that JSON has: numbers it hasn't, dates and times become text."""
    if isinstance(tables, dict):
        return {key: plain_tables(entry) for key, entry in tables.items()}
    if isinstance(tables, list):
        return [plain_tables(entry) for entry in tables]
    if isinstance(tables, float) and not math.isfinite(tables):
        return str(tables)
    if isinstance(tables, int) and not isinstance(tables, bool) and abs(tables) >= WHOLE:
        return hex(tables)
    return tables if isinstance(tables, (str, int, float)) else str(tables)
