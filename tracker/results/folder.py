"""The results folder: every file of it, written at once or not at all, and read back."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.camera import LENS
from calibration.errors import RECORD, ResultsError
from calibration.files import read_bounded
from calibration.lens import save_lens
from calibration.resection.options import RESECTION
from tracker.accelerometers.iso13499 import write_folder
from tracker.core.types import ARTICLE
from tracker.results.csv import article_csv, force_crush_csv, motion_csv, points_csv, tracks_csv
from tracker.results.hdf5 import read_h5, write_h5
from tracker.results.iso13499 import iso_test
from tracker.results.json import RESULTS, json_text, read_scalars
from tracker.results.schema import Results
from tracker.storage.atomic_folder import check_carryable, ready
from tracker.storage.audit_log import Entry, log_text, read_log, time_of_day
from tracker.storage.later_parts import UNDER_WAY
from tracker.storage.plain_files import write_text

ARRAYS = "results.h5"
LOG = "log.jsonl"
TEXT_LIMIT = 2**26
"""Bytes of the largest results.json or log that is read."""
OURS = frozenset(
    {RESULTS, ARRAYS, LOG, "motion", "tracks", "points", "report.html", "report.pdf"}
    | {"pictures", "films", "iso13499", "mechanics", "lenses", UNDER_WAY}
)
"""Names in a results folder that belong to us; anything else in it is the user's and is kept."""


def read_results(directory: str | Path) -> Results:
    """The results that `write_results` wrote. Raises `Problem` where they are not there.

    >>> from tracker import read_results
    >>> results = read_results("demo/results")
    >>> sorted(results.motion) == sorted(results.vehicles)
    True
    """
    directory = Path(directory)
    if not _is_file(directory / RESULTS):
        raise ResultsError(
            f"there is no {RESULTS} here",
            where=str(directory),
            remedy="name a results folder, as `impactfilm analyse` writes it",
            status=RECORD,
        )
    _refuse_links(directory)
    results = Results(
        **read_scalars(_text(directory / RESULTS), str(directory / RESULTS)),
        **read_h5(directory / ARRAYS),
        log=read_log(_text(directory / LOG), str(directory / LOG)),
    )
    return _with_places(results, lambda path: os.path.normpath(directory.resolve() / path))


def _is_file(path: Path) -> bool:
    """Whether this is a file. Raises PermissionError where it may not be looked at: since Python
    3.14 `Path.is_file` says False there.
    """
    try:
        return stat.S_ISREG(path.stat().st_mode)
    except PermissionError:
        raise
    except (OSError, ValueError):
        return False


def _refuse_links(directory: Path) -> None:
    """Raise `Problem` if a file of the results is a link: it may lead to another test's, or out."""
    for name in (RESULTS, ARRAYS, LOG):
        if (directory / name).is_symlink():
            raise ResultsError(
                "this is a link, and links among results are not read",
                where=str(directory / name),
                remedy="put the file itself there, or analyse the test again",
                status=RECORD,
            )


def check_own_directory(directory: Path) -> None:
    """As `check_directory`, for the folder `results` beside a record: it may not be a link."""
    if directory.is_symlink():
        raise ResultsError(
            "this is a link, through which results are not written",
            where=str(directory),
            remedy="remove the link, or name the folder with --out",
            status=RECORD,
        )
    check_directory(directory)


def check_directory(directory: Path) -> None:
    """Raise `Problem` if results can't be written to `directory`: to be asked before the work."""
    ready(directory, RESULTS)
    check_carryable(directory, OURS)


def write_data(results: Results, folder: Path) -> None:
    """Everything but the reports, into an existing folder."""
    _save(folder / RESULTS, json_text(results))
    for vehicle, motion in results.motion.items():
        _save(folder / "motion" / f"{vehicle}.csv", motion_csv(motion))
    for vehicle, paths in results.points.items():
        if paths:
            _save(folder / "points" / f"{vehicle}.csv", points_csv(paths))
    if results.article_paths:
        _save(folder / "points" / f"{ARTICLE}.csv", article_csv(results.article_paths))
    for camera, tracks in results.tracks.items():
        table = tracks_csv(tracks, results.times.get(camera))
        _save(folder / "tracks" / f"{camera}.csv", table)
    if results.force_crush is not None:
        _save(folder / "mechanics" / "force-crush.csv", force_crush_csv(results.force_crush))
    _save_lenses(results, folder / "lenses")
    write_h5(results, folder / ARRAYS)
    exchange = iso_test(results)
    if exchange is not None:
        write_folder(exchange, folder / "iso13499")
    software = results.software
    written = Entry(
        "output", f"results written by {software.name} {software.version}", at=time_of_day()
    )
    _save(folder / LOG, log_text((*results.log, written)))


def _save_lenses(results: Results, folder: Path) -> None:
    """The lens of each camera whose focal length is known, for records to come."""
    for name, view in results.views.items():
        if view.camera is None:
            continue
        lens = replace(view.camera.lens, covariance=view.camera.covariance[LENS, LENS])
        if np.sqrt(lens.covariance[0, 0]) < RESECTION.focal_known * lens.matrix[0, 0]:
            folder.mkdir(exist_ok=True)
            about = results.cameras[name].lens if name in results.cameras else ""
            source = f"camera {name} of test {results.test.number}; {about}"
            save_lens(folder / f"{name}.json", lens, source=source)


def _save(path: Path, text: str) -> None:
    path.parent.mkdir(exist_ok=True)
    write_text(path, text)


def _text(path: Path) -> str:
    remedy = "analyse the test again"
    data = read_bounded(path, TEXT_LIMIT, where=str(path), remedy=remedy)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        raise ResultsError(
            "the file is not UTF-8 text", where=str(path), remedy=remedy, status=RECORD
        ) from None


def _with_places(results: Results, place: Callable[[str], str]) -> Results:
    """The results with other places of the films and of the record; URLs stay."""
    views = {
        name: view if "://" in view.film else replace(view, film=place(view.film))
        for name, view in results.views.items()
    }
    log = tuple(
        replace(entry, data={**entry.data, "path": place(str(entry.data["path"]))})
        if entry.kind == "input" and "path" in entry.data
        else entry
        for entry in results.log
    )
    return replace(results, views=views, log=log)


def relative(results: Results, folder: Path) -> Results:
    """Places as seen from the results folder, so that all can be moved together."""
    return _with_places(results, lambda path: Path(os.path.relpath(path, folder)).as_posix())
