"""Whether the numbers of a results folder can be made again from its record and inputs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from calibration.errors import FILM, RECORD, ResultsError
from tracker.core.types import Progress
from tracker.record.input_digests import digests
from tracker.record.load import Record, load_record
from tracker.results.schema import Results

Again = Callable[[Record, Progress | None], Results]


def verify(directory: Path, progress: Progress | None = None, again: Again | None = None) -> Path:
    """Analyse the record of a results folder again and compare; the record's path.

    `again` is how, if not by `tracker.analysis.analyse`. Nothing is written. Raises `Problem`:
    status `RECORD` where folder or record are not there, status `FILM` where the inputs have
    changed since, or where the same inputs give other numbers.
    """
    from tracker.pipeline.analyse import analyse  # slow to load
    from tracker.results.compare import differences
    from tracker.results.folder import read_results

    old = read_results(directory)
    place = record_of(old, directory)
    record = load_record(place)
    changed = changed_inputs(old.software.inputs, digests(record))
    if changed:
        raise ResultsError(
            f"not verified: changed since the analysis: {', '.join(changed)}",
            where=str(directory),
            remedy="restore the inputs, or analyse the test again",
            status=FILM,
        )
    found = differences(old, (again or analyse)(record, progress))
    if found:
        others = f", and {len(found) - 1} more" if len(found) > 1 else ""
        raise ResultsError(
            f"not verified: the same inputs give other numbers: {found[0]}{others}",
            where=str(directory),
            remedy=f"ask who changed the folder; it was written by version {old.software.version}",
            status=FILM,
        )
    return place


def changed_inputs(before: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """Names of inputs whose SHA-256 is no longer the same, that are new, or that are gone."""
    names = dict.fromkeys((*before, *now))
    return tuple(name for name in names if before.get(name) != now.get(name))


def record_of(results: Results, directory: Path) -> Path:
    """The record that these results were made from: where the log says, else beside the folder."""
    logged = [
        Path(str(entry.data["path"]))
        for entry in results.log
        if entry.kind == "input" and "path" in entry.data
    ]
    name = next(iter(results.software.inputs), "record.toml")
    places = [*logged[-1:], directory.resolve().parent / name]
    for place in places:
        if place.is_file():
            return place
    raise ResultsError(
        "the record of these results is not there",
        where=str(places[0]),
        remedy="put record and films back to where they lay, as seen from the results folder",
        status=RECORD,
    )
