"""The record that a new test starts from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.errors import RECORD, RecordError
from tracker.film import MOVIE_SUFFIXES
from tracker.record.manual_edits import PLACE
from tracker.storage.plain_files import write_new


@dataclass(frozen=True)
class TestKind:
    """What a kind of test has: vehicles with their roles, and an article that stands alone."""

    vehicles: Mapping[str, str]
    article: Mapping[str, str] | None = None


KINDS = {
    "into a vehicle or its cushion": TestKind({"car": "striking", "truck": "struck"}),
    "into a barrier or rail": TestKind({"car": "striking"}, {}),
    "into a pole or support": TestKind({"car": "striking"}, {"kind": "pole"}),
    "one vehicle alone": TestKind({"car": "striking"}),
}


def write_first_record(folder: Path, number: str, kind: str) -> Path:
    """Write a record to start from: a camera for each movie of the folder, and what `kind` of
    `KINDS` says of vehicles and article.

    Raises `Problem` where there is a record already, or no film.
    """
    import tomlkit

    record = folder / "record.toml"
    if record.exists():
        raise RecordError(
            "this folder holds a record already",
            where=str(record),
            remedy="open it",
            status=RECORD,
        )
    films = films_in(folder)
    if not films:
        raise RecordError(
            "this folder holds no film",
            where=str(folder),
            remedy="copy the films of the test into it first",
            status=RECORD,
        )
    document = tomlkit.document()
    document["schema"] = 1
    document["test"] = {"number": number}
    document["vehicles"] = tomlkit.table(is_super_table=True)
    has = KINDS[kind]
    for name, role in has.vehicles.items():
        document["vehicles"][name] = {"role": role}
    if has.article is not None:
        document["article"] = dict(has.article)
    document["cameras"] = tomlkit.table(is_super_table=True)
    for film in films:
        name = _camera_name(film.stem, document["cameras"])
        document["cameras"][name] = {"film": film.name}
    _write_first(record, tomlkit.dumps(document))
    (folder / PLACE).mkdir(exist_ok=True)
    return record


def _write_first(record: Path, text: str) -> None:
    try:
        text.encode()
        write_new(record, text)
    except (OSError, UnicodeEncodeError) as error:
        why = getattr(error, "strerror", None) or "a film's name is no text"
        raise RecordError(
            f"the record can't be begun ({why})",
            where=str(record),
            remedy="check the names of the films and your permission to write there",
            status=RECORD,
        ) from None


def films_in(folder: Path) -> list[Path]:
    """The movies that lie in a folder."""
    return sorted(p for p in folder.iterdir() if p.suffix.lower() in MOVIE_SUFFIXES and p.is_file())


def _camera_name(stem: str, used: Any) -> str:
    name = "".join(c if c.isascii() and (c.isalnum() or c in "_-") else "-" for c in stem)
    name = name if name[:1].isalpha() else f"camera-{name}".rstrip("-")
    name, base, number = name[:60], name[:60], 2
    while name in used:
        name, number = f"{base}-{number}", number + 1
    return name
