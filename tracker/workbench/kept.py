"""Results of stages, kept from one analysis to the next under the content of what went in.

Kept in the user's own cache folder, not in the test's: what is read back from there is trusted.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import os
import pickle
import tempfile
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel

import calibration
import tracker


def cache_folder() -> Path:
    """Where this user's things that can be made again lie."""
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(base) if base else Path.home() / ".cache") / "impactfilm" / "seen"


class Kept:
    """Values by key in a folder; beyond `most` of them the ones longest unused go."""

    def __init__(self, folder: Path, most: int) -> None:
        self.folder = folder
        self.most = most

    def find(self, key: str) -> Any:
        """What was kept under the key; None if nothing is, or nothing that can be read."""
        place = self._place(key)
        try:
            data = place.read_bytes()
            place.touch()
            return pickle.loads(data)
        except Exception:
            return None  # not there, or of another version of a library: it is made again

    def keep(self, key: str, value: Any) -> None:
        """Keep a value; where there is no room the work is only done again."""
        with contextlib.suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            with tempfile.NamedTemporaryFile(dir=self.folder, delete=False) as file:
                try:
                    pickle.dump(value, file, protocol=pickle.HIGHEST_PROTOCOL)
                except OSError:
                    Path(file.name).unlink(missing_ok=True)
                    raise
            Path(file.name).replace(self._place(key))
            kept = sorted(self.folder.glob("*.pickle"), key=lambda p: p.stat().st_mtime)
            for old in kept[: -self.most]:
                old.unlink(missing_ok=True)

    def _place(self, key: str) -> Path:
        return self.folder / f"{key}.pickle"


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
