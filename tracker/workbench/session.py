"""One test that is open: its record, its films, its analysis, its results."""

from __future__ import annotations

import hashlib
import json
import threading
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration.errors import RECORD, Problem, RecordError
from tracker.record.check_files import check_files, is_url
from tracker.record.load import InvalidRecordError, load_record, record_text
from tracker.storage.inside import read_inside
from tracker.storage.later_parts import UNDER_WAY, parts_under_way
from tracker.storage.toml_text import TooDeepError, plain_tables, toml_tables
from tracker.workbench.current_analysis import CurrentAnalysis
from tracker.workbench.film_process import FilmProcess
from tracker.workbench.form_words import form_error
from tracker.workbench.frame_store import Frames
from tracker.workbench.history import RecordFile, digest
from tracker.workbench.options import WORKBENCH
from tracker.workbench.standby import Standby
from tracker.workbench.tomledit import Change

if TYPE_CHECKING:
    from tracker.results.schema import Results

RESULTS = "results.json"
"""The file by which a results folder is known."""


class OpenTest:
    """A test's folder, as the page sees it."""

    def __init__(self, record: Path, standby: Standby, copy: bool = True) -> None:
        self.record = record.resolve()
        self.folder = self.record.parent
        self.results_folder = self.folder / "results"
        self.id = hashlib.sha256(str(self.record).encode()).hexdigest()[:12]
        self.file = RecordFile(self.record)
        self.copy = copy
        self.revision = 0
        """Counts changes of anything the page shows."""
        self.running = CurrentAnalysis(
            self.record, self.results_folder, self.bump_revision, standby
        )
        self._frames: dict[str, tuple[str, Frames]] = {}
        self._results: tuple[tuple[int, int], Results] | None = None
        self._agreed: set[str] = set()  # addresses from which films may be fetched
        self._lock = threading.RLock()

    def bump_revision(self) -> None:
        """Note that something has changed."""
        self.revision += 1

    def signature(self) -> tuple[object, ...]:
        """Something else whenever record, results or analysis have changed."""
        results = (self.results_folder / name for name in (RESULTS, UNDER_WAY))
        return (self.revision, _stamp(self.record), *map(_stamp, results))

    def raw(self) -> dict[str, Any]:
        """The record's tables as typed, as far as it is TOML at all."""
        try:
            return toml_tables(record_text(self.record))
        except (tomllib.TOMLDecodeError, TooDeepError):
            return {}

    def state(self) -> dict[str, Any]:
        """Everything small that the page shows."""
        text = self.file.text
        return {
            "id": self.id,
            "folder": str(self.folder),
            "record": self.record.name,
            "hash": digest(text),
            "raw": plain_tables(self.raw()),
            "errors": self.errors(),
            "undo": self.file.undoable,
            "redo": self.file.redoable,
            "films": {name: self.film_state(name) for name in self._cameras()},
            "job": self.running.state,
            "results": self._results_state(),
        }

    def errors(self) -> list[dict[str, Any]]:
        """What is wrong with the record, in the form's words; see `form_error`."""
        try:
            load_record(self.record)
        except InvalidRecordError as problem:
            return [form_error(self._error(error)) for error in problem.errors]
        except Problem as problem:
            error = self._error(problem)
            return [{**error, "place": error["key"] or "The record"}]
        return []

    def film_state(self, camera: str) -> dict[str, Any]:
        """Size and length of a film, or why it can't be shown."""
        try:
            frames = self.frames(camera)
        except Problem as problem:
            state: dict[str, Any] = {"problem": f"{problem.what}; {problem.remedy}"}
            address = self._camera(camera).get("film")
            if isinstance(address, str) and is_url(address) and address not in self._agreed:
                state["address"] = address
            return state
        film = frames.film
        rate = None if film.rate != film.rate else film.rate
        return {
            "frames": film.frames,
            "width": film.size[0],
            "height": film.size[1],
            "bits": film.bits,
            "white": film.white,
            "rate": rate,
            "key": self._frames[camera][0],
        }

    def agree_to_fetch(self, address: str) -> None:
        """Let films be fetched from an address; it holds until the workbench ends."""
        self._agreed.add(address)
        self.bump_revision()

    def frames(self, camera: str) -> Frames:
        """The frames of a camera's film. Raises `Problem` where there is none to show."""
        entry = self._camera(camera)
        name = entry.get("film")
        where = f"cameras.{camera}.film"
        if not isinstance(name, str) or not name.strip():
            raise RecordError("no film is named", where=where, remedy="name one", status=RECORD)
        for _, what, remedy in check_files({"cameras": {camera: entry}}, self.folder):
            raise RecordError(what, where=where, remedy=remedy, status=RECORD)
        if is_url(name) and name not in self._agreed:
            raise RecordError(
                f"the film at {name} is not fetched before you agree",
                where=where,
                remedy="fetch it, or copy it into the test's folder",
                status=RECORD,
            )
        rate, bits = _rate(entry), entry.get("bits")
        place = name if is_url(name) else self.folder / name
        key = digest(repr((name, rate, bits, None if is_url(name) else _stamp(Path(place)))))[:12]
        with self._lock:
            opened = self._frames.get(camera)
            if opened is None or opened[0] != key:
                film = FilmProcess(
                    str(place),
                    frame_rate=rate,
                    bits=bits if isinstance(bits, int) else None,
                    where=where,
                )
                if opened is not None:
                    opened[1].close()
                self._frames[camera] = opened = (key, Frames(film, self.copy))
            return opened[1]

    def results(self) -> Results | None:
        """The last results, None without. Raises `Problem` where they can't be read."""
        stamp = _stamp(self.results_folder / RESULTS)
        if stamp is None:
            return None
        from tracker.results.folder import read_results  # slow to load

        with self._lock:
            if self._results is None or self._results[0] != stamp:
                self._results = (stamp, read_results(self.results_folder))
            return self._results[1]

    def change(self, seen: str, label: str, changes: Sequence[Change]) -> None:
        """Change the record; see `RecordFile.change`."""
        self.file.change(seen, label, changes)
        self.bump_revision()

    def close(self) -> None:
        """End what is under way."""
        self.running.cancel()
        for _, frames in self._frames.values():
            frames.close()

    def _cameras(self) -> list[str]:
        cameras = self.raw().get("cameras")
        return list(cameras) if isinstance(cameras, dict) else []

    def _camera(self, name: str) -> dict[str, Any]:
        cameras = self.raw().get("cameras")
        entry = cameras.get(name) if isinstance(cameras, dict) else None
        if not isinstance(entry, dict):
            raise RecordError(
                f"the record has no camera {name!r}",
                where=str(self.record),
                remedy="reload the page",
                status=RECORD,
            )
        return entry

    def _results_state(self) -> dict[str, Any] | None:
        stamp = _stamp(self.results_folder / RESULTS)
        if stamp is None:
            return None
        try:
            name = f"{self.results_folder.name}/{RESULTS}"
            text = read_inside(self.folder, name, WORKBENCH.results_bytes).decode()
            made_from = json.loads(text)["software"]["inputs"].get(self.record.name)
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return {"problem": "the results can't be read; analyse again", "stamp": str(stamp)}
        now = hashlib.sha256(record_text(self.record, mark=True).encode()).hexdigest()
        waiting = parts_under_way(self.results_folder)
        return {
            "stamp": f"{stamp[0]}-{stamp[1]}",
            "stale": made_from != now,
            "waiting": list(waiting),
        }

    def _error(self, problem: Problem) -> dict[str, str]:
        key = problem.where.removeprefix(str(self.record)).removeprefix(", ")
        return {"key": key, "what": problem.what, "remedy": problem.remedy}


def _rate(entry: dict[str, Any]) -> float | None:
    from tracker.core.units import UnitError, parse

    try:
        return parse(entry["frame_rate"], "rate") if "frame_rate" in entry else None
    except UnitError:
        return None


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_size
