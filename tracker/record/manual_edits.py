"""What people decided by hand: what the record holds of it, and what was done in the workbench."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from calibration.errors import Problem
from tracker.record.load import Record
from tracker.storage.audit_log import Entry, Log, read_log
from tracker.storage.inside import read_inside

PLACE = ".impactfilm"
"""Folder beside the record for what the workbench remembers; it may be deleted."""
ACTIONS = "actions.jsonl"
MOST = 2**26  # bytes of actions that are read


def actions(folder: Path) -> tuple[Entry, ...]:
    """What people did to the record of this folder in the workbench, in order.

    Lines that can't be read (a machine that lost its power while it wrote) are left out.
    """
    place = folder / PLACE / ACTIONS
    try:
        text = read_inside(folder, f"{PLACE}/{ACTIONS}", MOST).decode("utf-8", "replace")
        lines = text.split("\n")  # a value may hold other ends of lines
    except OSError:
        return ()
    return tuple(entry for line in lines for entry in _readable(line, str(place)))


def note_edits(log: Log, record: Record) -> None:
    """Note every place put right, span ruled out and time zero that the record holds."""
    for camera, entry in record.cameras.items():
        where = f"cameras.{camera}"
        for mark in dict.fromkeys(edit.mark for edit in entry.edits):
            own = sorted((e.frame, list(e.pixel)) for e in entry.edits if e.mark == mark)
            frames = [frame for frame, _ in own]
            pixels = [pixel for _, pixel in own]
            text = f"{mark} placed by hand in {spans(frames)}"
            log.note("edit", text, where, mark=mark, frames=frames, pixels=pixels)
        for span in entry.ruled_out:
            end = "the end" if span.last is None else str(span.last)
            text = f"{span.mark} ruled out from frame {span.first} to {end}"
            log.note("edit", text, where, mark=span.mark, first=span.first, last=span.last)
        if not isinstance(entry.time.zero, str):
            text = f"time zero set by hand to frame {entry.time.zero:g}"
            log.note("edit", text, f"{where}.time", zero=entry.time.zero)


def spans(frames: Iterable[int]) -> str:
    """Frame numbers in words: "frame 4", "frames 4, 7 to 9"."""
    runs: list[list[int]] = []
    for frame in sorted(set(frames)):
        if runs and frame == runs[-1][1] + 1:
            runs[-1][1] = frame
        else:
            runs.append([frame, frame])
    parts = [f"{a}" if a == b else f"{a} to {b}" for a, b in runs]
    many = len(runs) > 1 or any(a < b for a, b in runs)
    return f"frame{'s' if many else ''} {', '.join(parts)}"


def _readable(line: str, where: str) -> tuple[Entry, ...]:
    try:
        return read_log(line, where)
    except Problem:
        return ()
