"""A film decoded in a process of its own.

Questions and answers are messages of `tracker.processes.messages`; after the message that announces
a frame its grey levels follow. The first question names the film: {"path", "frame_rate", "bits",
"where"}; then {"frame": i} asks for a frame, anything else for all of them. Answers are
{"film": ...}, {"index"} with a frame, {"end"} or {"problem": ...}.
"""

from __future__ import annotations

import contextlib
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

from calibration.errors import Problem
from tracker.film import Film, open_film
from tracker.film.luma import Luma
from tracker.processes.answering import receive_message, send_message, send_problem


def serve_film(pipe: Connection) -> None:
    """Open the film, then answer until the other end is closed."""
    with contextlib.suppress(EOFError, OSError, KeyboardInterrupt):
        film = None
        while True:
            question = receive_message(pipe)
            try:
                film = open_film(**question) if film is None else film
                _answer(pipe, question, film)
            except Problem as problem:
                send_problem(pipe, problem)


def serve_check(pipe: Connection) -> None:
    """Check one record: the question is {"record"}, the answer {"checks"}."""
    from tracker.pipeline.preflight import check_record

    with contextlib.suppress(EOFError, OSError, KeyboardInterrupt):
        record = Path(receive_message(pipe)["record"])
        try:
            checks = check_record(record)
        except Problem as problem:
            send_problem(pipe, problem)
            return
        rows = [{"state": c.state, "where": c.where, "text": c.text} for c in checks]
        send_message(pipe, checks=rows)


def _answer(pipe: Connection, question: dict[str, Any], film: Film) -> None:
    if "path" in question:
        send_message(pipe, film=_film_facts(film))
    elif "frame" in question:
        _send_frame(pipe, film, question["frame"], film.frame(question["frame"]))
    else:
        for index, luma in film.forward():
            _send_frame(pipe, film, index, luma)
        send_message(pipe, end=True)


def _film_facts(film: Film) -> dict[str, Any]:
    return {
        "frames": film.frames,
        "size": film.size,
        "bits": film.bits,
        "rate": film.rate if film.rate == film.rate else None,
        "starts": len(film.source.starts),
    }


def _send_frame(pipe: Connection, film: Film, index: int, luma: Luma) -> None:
    send_message(pipe, index=index)
    pipe.send_bytes(np.ascontiguousarray(luma, dtype="u1" if film.bits <= 8 else "<u2").tobytes())
