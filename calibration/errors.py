"""Errors that a person can cause and mend: one base, and a class for each part that can fail."""

from __future__ import annotations

from typing import ClassVar

RECORD = 2
"""Exit status of a command: the record or the command line is wrong."""
FILM = 3
"""Exit status of a command: the analysis can't be done from these films."""


class Problem(Exception):  # noqa: N818 - the base; it is shown to people as a sentence
    """Something a person can mend: what is wrong, where, and what to do about it.

    Parameters
    ----------
    what : what is wrong, as a clause without a full stop.
    where : the place: file, key path, camera, frame.
    remedy : what to do, as an imperative clause without a full stop.
    status : exit status of the command, `RECORD` (2) or `FILM` (3); by default `usual_status`.
    """

    usual_status: ClassVar[int] = FILM

    def __init__(self, what: str, *, where: str, remedy: str, status: int | None = None) -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        self.status = self.usual_status if status is None else status
        super().__init__(f"{where}: {what}; {remedy}.")


class RecordError(Problem):
    """The record, a file that it names, or the command line is wrong."""

    usual_status = RECORD


class FilmError(Problem):
    """A film can't be found or read."""


class CalibrationError(Problem):
    """A camera's lens, pose or time can't be determined from what the record gives."""


class MotionError(Problem):
    """The vehicles' motion can't be determined from the marks that were seen."""


class ResultsError(Problem):
    """Results can't be read, written, or used for what is asked of them."""

    usual_status = RECORD


KINDS: tuple[type[Problem], ...] = (
    RecordError,
    FilmError,
    CalibrationError,
    MotionError,
    ResultsError,
)
"""The classes by which callers catch, each for itself."""


def kind_name(problem: Problem) -> str:
    """The name of the class of `KINDS` that a problem belongs to; empty for none."""
    return next((kind.__name__ for kind in KINDS if isinstance(problem, kind)), "")


def kind_of_name(name: str) -> type[Problem]:
    """The class of `KINDS` of this name, `Problem` for another name."""
    return next((kind for kind in KINDS if kind.__name__ == name), Problem)
