"""The record file and everything it was: each save can be undone, also after a crash.

In `.impactfilm/history/` beside the record lie the texts it had, named by their digest, and
`steps.json`, the order of them. The list is written before the record is, so that what a crash
can lose is the action under way.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import threading
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from calibration.errors import RECORD, Problem, RecordError
from tracker.record.load import record_text
from tracker.record.manual_edits import ACTIONS, PLACE
from tracker.storage.atomic_write import hold_lock, put
from tracker.storage.audit_log import Entry, log_text, time_of_day
from tracker.storage.inside import append_inside, check_inside, folder_inside, read_inside
from tracker.workbench.options import WORKBENCH
from tracker.workbench.tomledit import Change, changed_text

STEPS = f"{PLACE}/history/steps.json"
NAME = re.compile("[0-9a-f]{32}")
"""A text's digest, by which it is kept."""


class Conflict(Exception):  # noqa: N818 - it is not an error but news: somebody else saved
    """The record is no longer what the change was made from."""


@dataclass(frozen=True)
class Step:
    """One change of the record, by the digests of its text."""

    label: str
    before: str
    after: str


class RecordFile:
    """The text of `record.toml`; every change is checked against the text it was made from."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.place = path.parent / PLACE
        self._lock = threading.RLock()
        self._done, self._undone = self._load()

    @property
    def text(self) -> str:
        """The text as it is on the disk, with its ends of lines and its byte order mark.

        Raises `Problem` where it can't be read.
        """
        return record_text(self.path, mark=True)

    @property
    def undoable(self) -> str | None:
        """What would be undone."""
        return self._done[-1].label if self._done else None

    @property
    def redoable(self) -> str | None:
        """What would be done again."""
        return self._undone[-1].label if self._undone else None

    def change(self, seen: str, label: str, changes: Sequence[Change]) -> str:
        """Make changes to the text whose digest is `seen`; gives the new text.

        Raises `Conflict` if the text is another by now, `Problem` if it can't be changed so.
        """
        with self._alone():
            old = self._current(seen)
            new = changed_text(old, changes)
            if new == old:
                return old
            self._note_outside(old)
            step = Step(label, self._keep(old), self._keep(new))
            self._put([*self._done, step][-WORKBENCH.undo_steps :], [], new)
            data = {"changes": [{"path": list(c.path), "value": c.value} for c in changes]}
            self._log(Entry("edit", label, str(self.path.name), data, time_of_day()))
            return new

    def undo(self, seen: str) -> str:
        """Take the last change back; gives the text."""
        with self._alone():
            self._note_outside(self._current(seen))
            if not self._done:
                return self.text
            step = self._done[-1]
            text = self._text_of(step.before)
            self._put(self._done[:-1], [*self._undone, step], text)
            self._log(Entry("edit", f"undone: {step.label}", self.path.name, {}, time_of_day()))
            return text

    def redo(self, seen: str) -> str:
        """Make the change that was taken back last again; gives the text."""
        with self._alone():
            self._current(seen)
            if not self._undone:
                return self.text
            step = self._undone[-1]
            text = self._text_of(step.after)
            self._put([*self._done, step], self._undone[:-1], text)
            self._log(Entry("edit", f"done again: {step.label}", self.path.name, {}, time_of_day()))
            return text

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        """Nobody else changes the record meanwhile: no other thread, no other workbench."""
        self._check_place()
        with self._lock, hold_lock(self.place / "lock"):
            self._done, self._undone = self._load()
            yield

    def _check_place(self) -> None:
        """Raises `Problem` where what the workbench keeps would be written somewhere else."""
        try:
            folder_inside(self.path.parent, f"{PLACE}/history")
            for name in ("lock", ACTIONS):
                if (self.place / name).exists() or (self.place / name).is_symlink():
                    check_inside(self.path.parent, f"{PLACE}/{name}")
        except OSError as error:
            raise RecordError(
                f"the change can't be saved ({error.strerror})",
                where=str(error.filename or self.place),
                remedy=f"remove {PLACE} from the test's folder; it may be deleted",
                status=RECORD,
            ) from None

    def _current(self, seen: str) -> str:
        text = self.text
        if digest(text) != seen:
            raise Conflict
        return text

    def _note_outside(self, text: str) -> None:
        """If the file was changed by somebody else, that is a step like any other."""
        if self._done and self._done[-1].after != digest(text):
            step = Step("changed outside the workbench", self._done[-1].after, self._keep(text))
            self._done, self._undone = [*self._done, step], []

    def _put(self, done: list[Step], undone: list[Step], text: str) -> None:
        steps = {"done": [asdict(s) for s in done], "undone": [asdict(s) for s in undone]}
        _replace(self.place / "history" / "steps.json", json.dumps(steps, indent=0))
        _replace(self.path, text)
        self._done, self._undone = done, undone

    def _load(self) -> tuple[list[Step], list[Step]]:
        try:
            raw = json.loads(read_inside(self.path.parent, STEPS, WORKBENCH.history_bytes).decode())
            done = [_step(entry) for entry in raw["done"]]
            undone = [_step(entry) for entry in raw["undone"]]
            now = digest(self.text)
        except (OSError, ValueError, KeyError, TypeError, RecursionError, Problem):
            return [], []
        if done and done[-1].after != now and done[-1].before == now:
            done = done[:-1]  # the step was noted but not written any more
        return done, undone

    def _keep(self, text: str) -> str:
        name = digest(text)
        place = self.place / "history" / f"{name}.toml"
        if not place.exists():
            _replace(place, text)
        return name

    def _text_of(self, name: str) -> str:
        try:
            if not NAME.fullmatch(name):
                raise ValueError
            stored = f"{PLACE}/history/{name}.toml"
            return read_inside(self.path.parent, stored, WORKBENCH.history_bytes).decode()
        except (OSError, ValueError):
            raise RecordError(
                "the earlier text of the record is gone",
                where=str(self.place / "history"),
                remedy="change the record by hand",
                status=RECORD,
            ) from None

    def _log(self, entry: Entry) -> None:
        line = log_text([entry]).encode()
        append_inside(self.path.parent, f"{PLACE}/{ACTIONS}", line)


def _step(entry: dict[str, str]) -> Step:
    """A step from the list. Raises TypeError or ValueError for what is none."""
    step = Step(**entry)
    if not all(isinstance(value, str) for value in (step.label, step.before, step.after)):
        raise TypeError("a step has texts only")
    step.label.encode()  # half of a pair of surrogates is no text
    return step


def digest(text: str) -> str:
    """Name of a text: the first half of its SHA-256."""
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _replace(path: Path, text: str) -> None:
    put(
        path,
        text.encode(),
        what="the change can't be saved",
        remedy="check the free space and your permission to write there",
    )
