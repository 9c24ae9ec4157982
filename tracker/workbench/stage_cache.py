"""What each camera saw and what was solved from it, remembered: a film is followed again only if
something that its following depends on has changed, and only from the frame of that change on; it
is calibrated again only if something of its camera has, and motions are solved again only if
something has that they are solved from.

The key of each stage is the content of everything that goes in, and this program itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.board.calibrate import LensCalibration
from calibration.findings import Diagnostic
from calibration.image_motion.stabilise import Stabilisation
from calibration.resection.resect import Resection
from calibration.time.timebase import TimeBase
from tracker.camera.brightness import Region
from tracker.camera.stage import CalibratedFilm, calibrate_camera
from tracker.camera.track_film import RememberedTracking, TrackedFilm, track_film_again
from tracker.core.types import Mark, MarkId, Progress
from tracker.film import Film, open_film
from tracker.motion import CameraEvidence, Solution, VehicleGeometry, solve
from tracker.record.camera import CameraEntry
from tracker.record.input_digests import digests
from tracker.record.load import Record
from tracker.storage.hashing import content
from tracker.tracking import PASS_CLASSES, TrackingResult
from tracker.workbench.disk_cache import DiskCache
from tracker.workbench.options import WORKBENCH


@dataclass(frozen=True)
class Calibration:
    """A `CalibratedFilm` without its film."""

    followed: TrackingResult
    stabilisation: Stabilisation
    pose: Resection
    time: TimeBase
    warnings: tuple[Diagnostic, ...]
    lens_fit: LensCalibration | None


class CachedCalibration:
    """Calibrates a camera as `calibrate_camera` does, or remembers what that gave."""

    def __init__(self, folder: Path) -> None:
        self._calibrations = DiskCache(
            folder, "calibrations", WORKBENCH.calibration_bytes, Calibration, MarkId
        )
        self._tracks = DiskCache(folder, "tracks", WORKBENCH.tracking_bytes, TrackedFilm, MarkId)
        self._passes = DiskCache(
            folder, "passes", WORKBENCH.passes_bytes, RememberedTracking, *PASS_CLASSES
        )

    def __call__(self, record: Record, name: str, progress: Progress) -> CalibratedFilm:
        """What a camera saw. Raises Problem as `calibrate_camera` does."""
        files = digests(record)
        own = calibration_key(record, name, files)
        cached: Calibration | None = self._calibrations.find(own)
        entry = record.cameras[name]
        if cached is None:
            tracking = _CachedTracking(self._tracks, self._passes, files.get(entry.film))
            made = calibrate_camera(record, name, progress, tracking)
            self._calibrations.keep(own, _calibration(made))
            return made
        film = open_film(
            record.place(entry.film),
            frame_rate=entry.frame_rate,
            bits=entry.bits,
            where=f"cameras.{name}",
        )
        progress(name, film.frames, film.frames)
        return CalibratedFilm(
            name,
            film,
            cached.followed,
            cached.stabilisation,
            cached.pose,
            cached.time,
            cached.warnings,
            cached.lens_fit,
        )


class _CachedTracking:
    """Tracks as `track_film` does, or remembers what that gave for the same film: all of it, or
    the frames before the first change since it was tracked last.
    """

    def __init__(self, cache: DiskCache, passes: DiskCache, film: str | None) -> None:
        self._cache, self._passes = cache, passes
        self._film = film  # its digest; None: it lies at an address and may change

    def __call__(
        self,
        film: Film,
        name: str,
        entry: CameraEntry,
        marks: tuple[Mark, ...],
        regions: Mapping[str, Region | None],
        progress: Progress,
    ) -> TrackedFilm:
        if self._film is None:
            return track_film_again(film, name, entry, marks, regions, progress, None).tracked
        facts = (film.frames, film.size, film.bits, film.rate, entry.exposure, entry.time.gamma)
        hands = (entry.edits, entry.ruled_out)
        own = content(self._film, name, facts, hands, marks, regions)
        tracked: TrackedFilm | None = self._cache.find(own)
        if tracked is None:
            last = content(self._film, name, facts, regions)
            earlier: RememberedTracking | None = self._passes.find(last)
            again = track_film_again(film, name, entry, marks, regions, progress, earlier)
            tracked = again.tracked
            self._cache.keep(own, tracked)
            self._passes.keep(last, again)
        else:
            progress(name, film.frames, film.frames)
        return tracked


class CachedSolution:
    """Solves motions as `tracker.motion.solve` does, or remembers what that gave."""

    def __init__(self, folder: Path) -> None:
        self._cache = DiskCache(folder, "solutions", WORKBENCH.solution_bytes, Solution, MarkId)

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
        solution: Solution | None = self._cache.find(own)
        if solution is None:
            solution = solve(cameras, vehicles, contact=contact, progress=progress)
            self._cache.keep(own, solution)
        return solution


def calibration_key(record: Record, name: str, files: Mapping[str, str] | None = None) -> str:
    """Digest of everything that what a camera sees depends on; `files`: the inputs' digests."""
    entry = record.cameras[name]
    found = digests(record) if files is None else files
    names = {entry.film, *((entry.lens.file, entry.lens.board) if entry.lens else ())}
    depends: dict[str, Any] = {
        "name": name,
        "camera": entry,
        "markers": {vehicle: table.markers for vehicle, table in record.vehicles.items()},
        "survey": record.survey,
        "offset": record.test.intended.offset,
        "files": {file: digest for file, digest in found.items() if file in names},
    }
    return content(depends)


def _calibration(made: CalibratedFilm) -> Calibration:
    return Calibration(
        made.followed, made.stabilisation, made.pose, made.time, made.warnings, made.lens_fit
    )
