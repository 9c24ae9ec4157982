"""A film decoded in a process of its own.

What is asked and told are bytes: JSON, and after the JSON that announces a frame its grey levels.
The first thing asked says which film: {"path", "frame_rate", "bits", "where"}; then {"frame": i}
asks for a frame, anything else for all of them. Told are {"film": ...}, {"index"} with a frame,
{"end"} or {"what", "where", "remedy", "status"}.
"""

from __future__ import annotations

import contextlib
import json
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

from calibration.errors import Problem
from tracker.film import Film, open_film
from tracker.film.luma import Luma


def serve(line: Connection) -> None:
    """Open the film, then answer until nobody listens any more."""
    with contextlib.suppress(EOFError, OSError, KeyboardInterrupt):
        film = None
        while True:
            asked = json.loads(line.recv_bytes())
            try:
                film = _answered(line, asked, film)
            except Problem as problem:
                _refuse(line, problem)


def serve_check(line: Connection) -> None:
    """Check one record: {"record"} is asked, {"checks"} told."""
    from tracker.pipeline.preflight import check_record

    with contextlib.suppress(EOFError, OSError, KeyboardInterrupt):
        record = Path(json.loads(line.recv_bytes())["record"])
        try:
            found = check_record(record)
            _say(line, checks=[{"state": c.state, "where": c.where, "text": c.text} for c in found])
        except Problem as problem:
            _refuse(line, problem)


def _refuse(line: Connection, problem: Problem) -> None:
    words = {"what": problem.what, "where": problem.where, "remedy": problem.remedy}
    _say(line, **words, status=problem.status)


def _answered(line: Connection, asked: dict[str, Any], film: Film | None) -> Film:
    if film is None:
        film = open_film(**asked)
        _say(line, film=_known(film))
    elif "frame" in asked:
        _give(line, film, asked["frame"], film.frame(asked["frame"]))
    else:
        for index, luma in film.forward():
            _give(line, film, index, luma)
        _say(line, end=True)
    return film


def _known(film: Film) -> dict[str, Any]:
    return {
        "frames": film.frames,
        "size": film.size,
        "bits": film.bits,
        "rate": film.rate if film.rate == film.rate else None,
        "starts": len(film.source.starts),
    }


def _give(line: Connection, film: Film, index: int, luma: Luma) -> None:
    _say(line, index=index)
    line.send_bytes(np.ascontiguousarray(luma, dtype="u1" if film.bits <= 8 else "<u2").tobytes())


def _say(line: Connection, **what: Any) -> None:
    line.send_bytes(json.dumps(what).encode())
