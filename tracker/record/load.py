"""Reads a test record: `record.toml` to frozen SI values, or all its errors at once."""

from __future__ import annotations

import re
import tomllib
import typing
from collections.abc import Mapping
from itertools import islice
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from calibration.errors import RECORD, Problem, RecordError
from calibration.files import read_bounded
from tracker.core.units import brief
from tracker.record.camera import (
    CameraEntry,
    CameraTime,
    Edit,
    FixedTarget,
    LensEntry,
    Pick,
    PlannedCamera,
    RuledOut,
    ScaleBar,
    TimingLight,
)
from tracker.record.check_consistency import check_consistency
from tracker.record.check_files import Complaint, Key, check_files, tables
from tracker.record.check_references import check_references
from tracker.record.schema import (
    AccelerometerEntry,
    Channel,
    Conditions,
    Cushion,
    Intended,
    Marker,
    PlannedRecord,
    PlannedTables,
    Record,
    SpeedTrap,
    Survey,
    Tables,
    TimeColumn,
    Vehicle,
)
from tracker.record.types import nearest
from tracker.storage.toml_text import TooDeepError, toml_tables

__all__ = [
    "AccelerometerEntry",
    "CameraEntry",
    "CameraTime",
    "Channel",
    "Conditions",
    "Cushion",
    "Edit",
    "FixedTarget",
    "Intended",
    "InvalidRecordError",
    "LensEntry",
    "Marker",
    "Pick",
    "PlannedCamera",
    "PlannedRecord",
    "Record",
    "RuledOut",
    "ScaleBar",
    "SpeedTrap",
    "Survey",
    "TimeColumn",
    "TimingLight",
    "Vehicle",
    "load_planned",
    "load_record",
]

SIZE_LIMIT = 2**21
"""Largest record file, in bytes; checked before the file is read."""
LISTED = 200
"""Errors of each kind collected at most: a file that is wrong throughout is soon refused."""
SHOWN = 40
"""Errors reported at most."""


class InvalidRecordError(RecordError):
    """All errors of one record, one line each; `errors` holds them singly."""

    def __init__(self, errors: list[Problem]) -> None:
        first = errors[0]
        super().__init__(first.what, where=first.where, remedy=first.remedy, status=RECORD)
        self.errors = tuple(errors)
        lines = [str(error) for error in errors[:SHOWN]]
        if len(errors) > SHOWN:
            lines.append(f"... and {len(errors) - SHOWN} more errors; mend these first.")
        self.args = ("\n".join(lines),)


def load_record(path: str | Path) -> Record:
    """The record in this file (or in `record.toml` of this folder), units in SI.

    Films, lens and accelerometer files must exist inside the record's folder; URLs are not looked
    up. Raises `InvalidRecordError` with every error of the record, or `RecordError` where it
    can't be read as TOML at all; both have status `RECORD`.

    >>> from tracker import load_record
    >>> record = load_record("demo")
    >>> record.vehicles["car"].role
    'striking'
    """
    path, raw = _read(path)
    _refuse_errors(path, raw, Tables, raw)
    return Record.model_validate({**raw, "path": path, "folder": path.parent})


def load_planned(path: str | Path) -> PlannedRecord:
    """The record of a test to come: `load_record`, but films, picks and the pixels of fixed targets
    may be missing, and films and accelerometer files aren't looked up.
    """
    path, raw = _read(path)
    _refuse_errors(path, raw, PlannedTables, _without_recordings(raw))
    return PlannedRecord.model_validate({**raw, "path": path, "folder": path.parent})


def _read(path: str | Path) -> tuple[Path, dict[str, Any]]:
    path = Path(path)
    path = path / "record.toml" if path.is_dir() else path
    return path, _parse(record_text(path), str(path))


def _refuse_errors(
    path: Path, raw: dict[str, Any], schema: type[BaseModel], with_files: dict[str, Any]
) -> None:
    """Raise every error of the record; `with_files` is the part of it whose files must be there."""
    errors: list[Complaint] = []
    try:
        schema.model_validate(raw)
    except ValidationError as error:
        errors += _complaints(error, schema)
    errors += islice(check_references(raw), LISTED)
    errors += islice(check_consistency(raw), LISTED)
    errors += islice(check_files(with_files, path.parent), LISTED)
    if errors:
        raise InvalidRecordError(
            [
                RecordError(what, where=f"{path}, {key_path(key)}", remedy=remedy, status=RECORD)
                for key, what, remedy in errors
            ]
        )


def _without_recordings(raw: dict[str, Any]) -> dict[str, Any]:
    """The tables without what the test itself will write: films and accelerometer files."""
    cameras = {
        str(key[-1]): {k: v for k, v in camera.items() if k != "film"}
        for key, camera in tables(raw, "cameras")
    }
    return {**raw, "cameras": cameras, "accelerometers": []}


def key_path(key: Key) -> str:
    """A key path as TOML writes it, list entries counted from 1: cameras.side.scale[1].length."""
    text = ""
    for part in key:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            bare = re.fullmatch(r"[A-Za-z0-9_-]+", part)
            text += ("." if text else "") + (part if bare else brief(part).replace("'", '"'))
    return text or "the record"


def record_text(path: Path, *, mark: bool = False) -> str:
    """The text of a record file, its size checked first; a byte order mark goes unless `mark`.

    Raises `RecordError` where it can't be read as text.
    """
    remedy = "check that this is the record, and your permission to read it"
    data = read_bounded(path, SIZE_LIMIT, where=str(path), remedy=remedy)
    try:
        return data.decode("utf-8" if mark else "utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise RecordError(
            f"byte {error.start} is not UTF-8 text",
            where=f"{path}, line {line}",
            remedy="save the record as UTF-8",
            status=RECORD,
        ) from None


def _parse(text: str, where: str) -> dict[str, Any]:
    """The TOML tables."""
    try:
        return toml_tables(text)
    except tomllib.TOMLDecodeError as error:
        found = re.fullmatch(
            r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", str(error)
        )
        what, line = (found[1], found[2]) if found else (str(error), None)
        place = f", line {line}, column {found[3]}" if found and line else ""
        at_end = found is not None and line is None
        raise RecordError(
            f"the record is not valid TOML: {what}" + (" at the end of the file" if at_end else ""),
            where=where + place,
            remedy="correct the line" if place else "correct the file",
            status=RECORD,
        ) from None
    except TooDeepError as error:
        raise RecordError(
            f"the record's TOML holds {error}",
            where=f"{where}, line {error.line}",
            remedy="correct the line, or check that this is the record",
            status=RECORD,
        ) from None


def _complaints(error: ValidationError, schema: type[BaseModel]) -> list[Complaint]:
    """What pydantic found, in the words of a record."""
    return [
        _complaint(
            _written_key(entry["loc"]),
            entry["type"],
            entry.get("input"),
            entry.get("ctx", {}),
            schema,
        )
        for entry in error.errors(include_url=False)[:LISTED]
    ]


def _written_key(loc: Key) -> Key:
    """The key path, without the marks that pydantic adds for keys and unions."""
    return tuple(part for part in loc if part not in ("[key]",))


def _complaint(
    key: Key, kind: str, value: object, context: Mapping[str, Any], schema: type[BaseModel]
) -> Complaint:
    if kind == "record":
        return key, str(context["what"]), str(context["remedy"])
    name = str(key[-1]) if key else ""
    if kind == "missing":
        return key, f"'{name}' is missing", "add it"
    if kind == "extra_forbidden":
        known = _known_keys(key[:-1], schema)
        close = nearest(name, known)
        remedy = f"write '{close}'" if close else "take it out; known here are: " + ", ".join(known)
        return key, f"unknown key {brief(name)}", remedy
    if kind in ("model_type", "model_attributes_type", "mapping_type", "dict_type"):
        return key, f"{brief(value)} is not a table", f"write a table [{key_path(key)}]"
    if kind in ("tuple_type", "list_type"):
        return key, f"{brief(value)} is not a list", "write it in brackets, as [..., ...]"
    if kind == "too_short":
        return key, "the table is empty", "add at least one entry"
    if kind.startswith("date"):
        return key, f"{brief(value)} is not a date", "write it as 2026-06-18, without quotes"
    return key, f"{brief(value)} does not fit here ({kind.replace('_', ' ')})", "correct it"


def _known_keys(key: Key, schema: type[BaseModel]) -> list[str]:
    """The keys that the table at this place may have."""
    here: Any = schema
    for part in key:
        here = _inside(here, part)
    return [f.alias or name for name, f in here.model_fields.items()] if _is_table(here) else []


def _inside(annotation: Any, part: str | int) -> Any:
    """The annotation of what lies under `part`."""
    if _is_table(annotation):
        return _table_or_mapping(annotation.model_fields[str(part)].annotation)
    return _table_or_mapping(typing.get_args(annotation)[-1 if isinstance(part, str) else 0])


def _table_or_mapping(annotation: Any) -> Any:
    """An annotation without `Annotated` and `| None`."""
    arguments = [a for a in typing.get_args(annotation) if a is not type(None)]
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated or (origin not in (Mapping, tuple, None) and len(arguments) == 1):
        return _table_or_mapping(arguments[0])
    return annotation


def _is_table(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)
