"""Films opened, and their first frame decoded, while the rest of the program still loads."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import replace
from itertools import islice
from pathlib import Path
from threading import Thread
from typing import Any

from calibration.errors import Problem
from calibration.files import read_bounded
from tracker.film.film import Film, open_film
from tracker.film.places import MOVIE_SUFFIXES
from tracker.storage.toml_text import toml_tables

_MOST_BYTES = 2**24
"""Of a record that is read before it is validated."""
_MOST_FILMS = 16
"""Opened at once; a record may name any number."""


class EarlyFilms:
    """The movies that a record names, each opened by a thread from now on.

    The record is read as far as it is TOML at all; whatever is wrong with it or with a film, later
    steps find and report.
    """

    def __init__(self, record: Path) -> None:
        self._opened: dict[tuple[str, str], Future[Film | None]] = {}
        for camera, film in islice(_movies(record), _MOST_FILMS):
            place, where = str(film.absolute()), f"cameras.{camera}"
            found: Future[Film | None] = Future()
            self._opened[place, where] = found
            # a daemon: a film that can't be read to its end must not hold up an error message
            Thread(target=_open, args=(place, where, found), daemon=True).start()

    def open(self, path: str, *, frame_rate: float | None, bits: int | None, where: str) -> Film:
        """As `open_film`."""
        early = self._opened.get((path, where))
        film = early.result() if early is not None and bits is None else None
        if film is None:
            return open_film(path, frame_rate=frame_rate, bits=bits, where=where)
        return film if frame_rate is None else replace(film, rate=frame_rate)


def _open(path: str, where: str, found: Future[Film | None]) -> None:
    try:
        found.set_result(open_film(path, where=where))
    except Problem:
        found.set_result(None)  # it is opened again where it is needed, and raises there
    except BaseException as error:
        found.set_exception(error)


def _movies(record: Path) -> Iterator[tuple[str, Path]]:
    """Camera and place of each movie file that lies in the record's folder."""
    try:
        data = read_bounded(record, _MOST_BYTES, where=str(record), remedy="")
        cameras: Any = toml_tables(data.decode("utf-8-sig"))["cameras"]
        named = [(str(name), Path(entry["film"])) for name, entry in cameras.items()]
        for name, film in named:
            place = record.parent / film
            inside = place.resolve().is_relative_to(record.parent.resolve())
            is_movie = place.suffix.lower() in MOVIE_SUFFIXES
            if inside and is_movie and stat.S_ISREG(place.stat().st_mode):
                yield name, place
    except (Problem, OSError, ValueError, KeyError, TypeError, AttributeError):
        return
