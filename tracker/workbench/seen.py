"""What each camera saw, kept from one analysis to the next: a film is followed again only if
something that its following depends on has changed.

The key is the content of everything that goes in: the film, the camera's entry in the record, the
markers and their survey, and this program itself. Kept in the user's own cache folder, not in the
test's: what is read back from there is trusted.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import pickle
import tempfile
from dataclasses import fields
from functools import cache
from pathlib import Path
from typing import Any

import calibration
import tracker
from tracker.film import open_film
from tracker.inputs import digests
from tracker.record import Record
from tracker.sight import Sight, see
from tracker.values import Progress

KEPT = 40
"""Sights kept; the oldest go first."""


def cache_folder() -> Path:
    """Where this user's things that can be made again lie."""
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(base) if base else Path.home() / ".cache") / "impactfilm" / "seen"


class Seen:
    """Follows a camera's film as `tracker.sight.see` does, or remembers what that gave."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __call__(self, record: Record, name: str, progress: Progress) -> Sight:
        """What a camera saw. Raises Problem as `see` does."""
        place = self.folder / f"{key(record, name)}.pickle"
        kept = self._kept(place)
        if kept is None:
            sight = see(record, name, progress)
            self._keep(place, sight)
            return sight
        entry = record.cameras[name]
        film = open_film(
            record.place(entry.film),
            frame_rate=entry.frame_rate,
            bits=entry.bits,
            where=f"cameras.{name}",
        )
        progress(name, film.frames, film.frames)
        return Sight(film=film, **kept)

    def _kept(self, place: Path) -> dict[str, Any] | None:
        try:
            data = place.read_bytes()
            place.touch()
            found: dict[str, Any] = pickle.loads(data)
        except Exception:
            return None  # not there, or of another version of a library: it is made again
        return found

    def _keep(self, place: Path, sight: Sight) -> None:
        values = {f.name: getattr(sight, f.name) for f in fields(Sight) if f.name != "film"}
        with contextlib.suppress(OSError):  # without it the work is only done again
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            with tempfile.NamedTemporaryFile(dir=self.folder, delete=False) as file:
                pickle.dump(values, file)
            Path(file.name).replace(place)
            kept = sorted(self.folder.glob("*.pickle"), key=lambda p: p.stat().st_mtime)
            for old in kept[:-KEPT]:
                old.unlink(missing_ok=True)


def key(record: Record, name: str) -> str:
    """Digest of everything that what a camera sees depends on."""
    entry = record.cameras[name]
    files = {file: digest for file, digest in digests(record).items() if file != record.path.name}
    names = {entry.film, *((entry.lens.file, entry.lens.chessboard) if entry.lens else ())}
    depends = {
        "name": name,
        "camera": entry.model_dump(mode="json"),
        "markers": {
            vehicle: {m: mark.model_dump(mode="json") for m, mark in table.markers.items()}
            for vehicle, table in record.vehicles.items()
        },
        "survey": record.survey.model_dump(mode="json"),
        "offset": record.test.intended.offset,
        "files": {file: digest for file, digest in files.items() if file in names},
        "program": _program(),
    }
    return hashlib.sha256(json.dumps(depends, sort_keys=True).encode()).hexdigest()


@cache
def _program() -> str:
    """Digest of this program's source."""
    whole = hashlib.sha256()
    for package in (calibration, tracker):
        home = Path(str(package.__file__)).parent
        for file in sorted(home.rglob("*.py")):
            whole.update(file.relative_to(home).as_posix().encode() + b"\0" + file.read_bytes())
    return whole.hexdigest()
