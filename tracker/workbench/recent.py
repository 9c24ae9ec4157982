"""Tests that were opened lately, and the folders from which one can be chosen."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path
from typing import Any

from calibration.errors import RECORD, Problem, RecordError
from tracker.storage.atomic_write import put
from tracker.storage.private_folder import private_folder
from tracker.workbench.first_record import films_in
from tracker.workbench.options import WORKBENCH
from tracker.workbench.user_folders import settings_folder


def recent_records() -> list[str]:
    """Records opened lately that are still there, the latest first."""
    try:
        found = json.loads((settings_folder() / "recent.json").read_text("utf-8"))
    except (OSError, ValueError):
        return []
    return [p for p in found if isinstance(p, str) and Path(p).is_file()][: WORKBENCH.recent_tests]


def remember(record: Path) -> None:
    """Put a record at the head of those opened lately."""
    earlier = [p for p in recent_records() if p != str(record)]
    entries = [str(record), *earlier][: WORKBENCH.recent_tests]
    settings = settings_folder()
    folder = private_folder(settings.parent, settings.name)
    if folder is not None:  # a list that can't be kept hinders no work
        with contextlib.suppress(Problem):
            text = json.dumps(entries, indent=0)
            put(folder / "recent.json", text.encode(), what="the list can't be kept", remedy="")


def folder_view(at: Path) -> dict[str, Any]:
    """Names of what can be chosen in a folder: folders, films, whether there is a record."""
    try:
        here = at.expanduser().resolve()
        folders = [p for p in here.iterdir() if p.is_dir() and not p.name.startswith(".")]
        films = [p.name for p in films_in(here)]
    except (OSError, RuntimeError) as error:
        raise RecordError(
            f"the folder can't be read ({getattr(error, 'strerror', None) or error})",
            where=str(at),
            remedy="check the path",
            status=RECORD,
        ) from None
    return {
        "at": str(here),
        "above": None if here.parent == here else str(here.parent),
        "folders": [
            {"name": p.name, "record": (p / "record.toml").is_file()}
            for p in sorted(folders, key=lambda p: p.name.lower())[: WORKBENCH.listed_folders]
        ],
        "films": films,
        "record": (here / "record.toml").is_file(),
    }
