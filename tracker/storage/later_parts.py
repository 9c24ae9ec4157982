"""Parts of a folder that follow when it is already in place, each moved into it whole.

A file in the folder names what is still to come; it is gone when all of it is there. Where a run
dies before, the file stays and names what is missing.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import shutil
import tempfile
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any

from calibration.files import read_bounded
from tracker.storage.atomic_folder import NEW, beside, claim_folder
from tracker.storage.inside import files_inside

UNDER_WAY = "under_way.json"
_MOST_BYTES = 2**16


class LaterParts:
    """What is made for a folder beside it.

    Parameters
    ----------
    made : where the parts are made: a folder of this run's own.
    earlier : what the folder held of these parts before, for what need not be made again.
    """

    def __init__(self, target: Path, made: Path, earlier: Path, waiting: Sequence[str]) -> None:
        self.made = made
        self.earlier = earlier
        self._target = target
        self._run = secrets.token_hex(8)
        self._waiting = list(waiting)

    def mark(self, folder: Path) -> None:
        """Note in a folder, before it takes its place, what is still to come."""
        text = json.dumps({"run": self._run, "waiting": self._waiting}, indent=1) + "\n"
        temporary = folder / f".{UNDER_WAY}.{self._run}"
        temporary.write_text(text, encoding="utf-8")
        temporary.replace(folder / UNDER_WAY)

    def move(self, name: str) -> None:
        """Move a part that is made, a file or a folder, into its place; its name is crossed off.

        Nothing happens where another run has put a folder of its own there meanwhile.
        """
        with claim_folder(self._target.parent):
            if self._is_ours():
                part = self._target / name
                part.parent.mkdir(exist_ok=True)
                (self.made / name).replace(part)
                self._waiting.remove(name)
                self.mark(self._target)

    def end(self) -> None:
        """All is there that can be made: of a film that is not at hand there is no marked one."""
        with claim_folder(self._target.parent):
            if self._is_ours():
                (self._target / UNDER_WAY).unlink()

    def _is_ours(self) -> bool:
        """Whether the folder in place is the one that this run marked."""
        return _content(self._target).get("run") == self._run


@contextlib.contextmanager
def later_parts(
    directory: Path, waiting: Sequence[str], present: Collection[str]
) -> Iterator[LaterParts]:
    """Parts `waiting` (names below the folder) of a folder that is about to be put in place.

    `present` are the entries of the present folder that `LaterParts.earlier` shall hold.
    """
    target = directory.resolve()
    target.parent.mkdir(parents=True, exist_ok=True)
    place = Path(tempfile.mkdtemp(prefix=beside(target, NEW), dir=target.parent))
    try:
        with claim_folder(place):
            made, earlier = place / "made", place / "earlier"
            made.mkdir()
            earlier.mkdir()
            for name in present:
                for file, _ in files_inside(target / name):
                    place_of_it = earlier / name / file
                    place_of_it.parent.mkdir(parents=True, exist_ok=True)
                    _link_file(target / name / file, place_of_it)
            yield LaterParts(target, made, earlier, waiting)
    finally:
        shutil.rmtree(place, ignore_errors=True)


def parts_under_way(folder: Path) -> tuple[str, ...]:
    """What is still to come, or never came, into a folder; nothing where it is complete."""
    return tuple(str(name) for name in _content(folder).get("waiting", ()))


def _content(folder: Path) -> dict[str, Any]:
    place = folder / UNDER_WAY
    if not place.is_file():
        return {}
    text = read_bounded(place, _MOST_BYTES, where=str(place), remedy="write the reports again")
    try:
        found = json.loads(text)
    except ValueError:
        return {"waiting": [UNDER_WAY]}
    return found if isinstance(found, dict) else {"waiting": [UNDER_WAY]}


def _link_file(source: Path, target: Path) -> None:
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)
