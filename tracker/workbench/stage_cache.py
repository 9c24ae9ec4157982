"""What each camera saw and what was solved from it, remembered: a film is followed again only if
something that its following depends on has changed, it is calibrated again only if something of its
camera has, and motions are solved again only if something has that they are solved from.

The key of each stage is the content of everything that goes in, and this program itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from tracker.camera.brightness import Region
from tracker.camera.stage import CalibratedFilm, TrackedFilm, calibrate_camera, track_film
from tracker.core.types import Mark, Progress
from tracker.film import Film, open_film
from tracker.motion import CameraEvidence, Solution, VehicleGeometry, solve
from tracker.record.camera import Camera
from tracker.record.input_digests import digests
from tracker.record.load import Record
from tracker.storage.hashing import content
from tracker.workbench.disk_cache import Kept

SIGHTS, FILMS, SOLUTIONS = 40, 40, 5
"""How many are kept; a solution takes some 100 MB."""


class Seen:
    """Calibrates a camera as `calibrate_camera` does, or remembers what that gave."""

    def __init__(self, folder: Path) -> None:
        self._sights = Kept(folder, SIGHTS)
        self._films = Kept(folder / "films", FILMS)

    def __call__(self, record: Record, name: str, progress: Progress) -> CalibratedFilm:
        """What a camera saw. Raises Problem as `calibrate_camera` does."""
        files = digests(record)
        own = key(record, name, files)
        kept = self._sights.find(own)
        entry = record.cameras[name]
        if kept is None:
            tracking = _Watching(self._films, files.get(entry.film))
            sight = calibrate_camera(record, name, progress, tracking)
            values = {
                f.name: getattr(sight, f.name) for f in fields(CalibratedFilm) if f.name != "film"
            }
            self._sights.keep(own, values)
            return sight
        film = open_film(
            record.place(entry.film),
            frame_rate=entry.frame_rate,
            bits=entry.bits,
            where=f"cameras.{name}",
        )
        progress(name, film.frames, film.frames)
        return CalibratedFilm(film=film, **kept)


class _Watching:
    """Tracks as `track_film` does, or remembers what that gave for the same film."""

    def __init__(self, kept: Kept, film: str | None) -> None:
        self._kept = kept
        self._film = film  # its digest; None: it lies at an address and may change

    def __call__(
        self,
        film: Film,
        name: str,
        entry: Camera,
        marks: tuple[Mark, ...],
        regions: Mapping[str, Region | None],
        progress: Progress,
    ) -> TrackedFilm:
        if self._film is None:
            return track_film(film, name, entry, marks, regions, progress)
        facts = (film.frames, film.size, film.bits, film.rate, entry.exposure, entry.time.gamma)
        hands = (entry.edits, entry.ruled_out)
        own = content(self._film, name, facts, hands, marks, regions)
        kept: TrackedFilm | None = self._kept.find(own)
        if kept is None:
            kept = track_film(film, name, entry, marks, regions, progress)
            self._kept.keep(own, kept)
        else:
            progress(name, film.frames, film.frames)
        return kept


class Solved:
    """Solves motions as `tracker.motion.solve` does, or remembers what that gave."""

    def __init__(self, folder: Path) -> None:
        self._kept = Kept(folder / "solved", SOLUTIONS)

    def __call__(
        self,
        cameras: Mapping[str, CameraEvidence],
        vehicles: Mapping[str, VehicleGeometry],
        *,
        contact: float | None = 0.0,
        progress: Progress | None = None,
    ) -> Solution:
        """The joint posterior of all motions. Raises Problem as `solve` does."""
        own = content(cameras, vehicles, contact)
        kept: Solution | None = self._kept.find(own)
        if kept is None:
            kept = solve(cameras, vehicles, contact=contact, progress=progress)
            self._kept.keep(own, kept)
        return kept


def key(record: Record, name: str, files: Mapping[str, str] | None = None) -> str:
    """Digest of everything that what a camera sees depends on; `files`: the inputs' digests."""
    entry = record.cameras[name]
    found = digests(record) if files is None else files
    names = {entry.film, *((entry.lens.file, entry.lens.chessboard) if entry.lens else ())}
    depends: dict[str, Any] = {
        "name": name,
        "camera": entry,
        "markers": {vehicle: table.markers for vehicle, table in record.vehicles.items()},
        "survey": record.survey,
        "offset": record.test.intended.offset,
        "files": {file: digest for file, digest in found.items() if file in names},
    }
    return content(depends)
