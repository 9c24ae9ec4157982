"""Digests of values: what is the same need not be made again."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel

import calibration
import tracker


def content(*values: Any) -> str:
    """Digest of values and of this program's source: equal if and only if they are.

    Raises TypeError for kinds of values whose content it doesn't know.
    """
    whole = hashlib.sha256(program().encode())
    for value in values:
        _feed(whole, value)
    return whole.hexdigest()


def _feed(whole: Any, value: Any) -> None:
    if isinstance(value, np.ndarray):
        whole.update(f"{value.dtype.str}{value.shape}".encode())
        whole.update(np.ascontiguousarray(value).tobytes())
    elif value is None or isinstance(value, (bool, int, float, str, np.generic)):
        whole.update(f"{type(value).__name__} {value!r}\0".encode())
    elif isinstance(value, BaseModel):
        _feed(whole, value.model_dump())
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        whole.update(f"{type(value).__qualname__}(".encode())
        for field in dataclasses.fields(value):
            _feed(whole, getattr(value, field.name))
        whole.update(b")")
    elif isinstance(value, Mapping):
        whole.update(b"{")
        for name, entry in value.items():
            _feed(whole, name)
            _feed(whole, entry)
        whole.update(b"}")
    elif isinstance(value, (set, frozenset)):
        _feed(whole, sorted(value))
    elif isinstance(value, (tuple, list)):
        whole.update(b"[")
        for entry in value:
            _feed(whole, entry)
        whole.update(b"]")
    else:
        raise TypeError(f"the content of a {type(value).__name__} is not known")


@cache
def program() -> str:
    """Digest of this program's source."""
    whole = hashlib.sha256()
    for package in (calibration, tracker):
        home = Path(str(package.__file__)).parent
        for file in sorted(home.rglob("*.py")):
            whole.update(file.relative_to(home).as_posix().encode() + b"\0" + file.read_bytes())
    return whole.hexdigest()
