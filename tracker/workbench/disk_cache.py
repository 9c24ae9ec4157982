"""Results of stages, kept from one analysis to the next under the content of what went in.

Kept in the user's own cache folder, not in the test's: what is read back from there is trusted.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import tempfile
from pathlib import Path
from typing import Any


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
