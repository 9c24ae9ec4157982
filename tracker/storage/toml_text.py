"""TOML of others: read in a time that grows with its length alone."""

from __future__ import annotations

import re
import tomllib
from typing import Any

DEEP = re.compile(r"""(?<![\w"'.-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){32}""")
"""Keys of more than 32 parts: reading them takes time that grows with the square of the parts."""


class TooDeepError(ValueError):
    """Tables nested too deep, or a number too long, to be read."""


def toml_tables(text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises `tomllib.TOMLDecodeError`, or `TooDeepError`."""
    if DEEP.search(text):
        raise TooDeepError
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except (RecursionError, ValueError):
        raise TooDeepError from None
