"""Results as the plain values of `results.json`, and back.

The keys are the field names of `tracker.results.schema`; arrays against time stand in the other
files. Not-a-number has no place in JSON: it is written as null and read back as NaN where a number
must stand.
"""

from __future__ import annotations

import dataclasses
import json
import math
import re
import types
import typing
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from calibration.errors import RECORD, ResultsError
from calibration.findings import Diagnostic
from tracker.core.types import Quantity
from tracker.results.schema import SCHEMA, Results

RESULTS = "results.json"
SCALARS = (
    "test",
    "software",
    "cameras",
    "vehicles",
    "crush",
    "mechanics",
    "cross_check",
    "accelerometers",
    "speed_check",
    "criteria",
    "not_judged",
    "decision",
    "assumptions",
    "processing",
    "warnings",
    "budgets",
    "article",
    "events",
    "time_zero",
)
"""Fields of `Results` that `results.json` holds, in its order."""


def results_json(results: Results) -> dict[str, Any]:
    """The object of `results.json`: dictionaries, lists, text, numbers, true, false and null."""
    return {"schema": SCHEMA} | {name: _plain(getattr(results, name)) for name in SCALARS}


def json_text(results: Results) -> str:
    """The text of `results.json`."""
    return json.dumps(results_json(results), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def read_scalars(text: str, where: str) -> dict[str, Any]:
    """The fields `SCALARS` of `Results` from the text of `results.json`.

    Raises `Problem` (status `RECORD`) where the text is not what `json_text` writes.
    """
    hints = typing.get_type_hints(Results)
    try:
        raw = json.loads(text)
        if any(_CONTROL.search(part) for part in _texts(raw)):
            raise ValueError("a text holds control characters")
        if raw["schema"] != SCHEMA:
            raise ValueError(f"schema {raw['schema']}")
        raw["criteria"] = [_with_preference(entry) for entry in raw.get("criteria", ())]
        return {name: _value(hints[name], raw[name], name) for name in SCALARS if name in raw}
    except (
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        RecursionError,
        OverflowError,
    ) as error:
        detail = str(error).splitlines()[0][:100] if str(error) else type(error).__name__
        raise ResultsError(
            f"this is not a results file of this version ({detail})",
            where=where,
            remedy="analyse the test again",
            status=RECORD,
        ) from None


_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff]")
"""What steers a terminal and what no file can hold; a record may not hold them either."""


def _texts(value: Any) -> Iterator[str]:
    """Every text, and every name, in a value of JSON."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for name, entry in value.items():
            yield name
            yield from _texts(entry)
    elif isinstance(value, list):
        for entry in value:
            yield from _texts(entry)


def _with_preference(entry: dict[str, Any]) -> dict[str, Any]:
    """A criterion of a version before 0.3, which had no `preferred` but in its name or note."""
    if "preferred" in entry:
        return entry
    named = "(preferred)" in entry["name"] or entry.get("note", "").startswith("preferred")
    least = entry.get("note", "").startswith("at least")
    return {**entry, "preferred": named, "sense": "least" if least else "most"}


def _plain(value: Any) -> Any:
    """A value as JSON has it."""
    if isinstance(value, Quantity):
        if not math.isfinite(value.value):
            return None
        found = {"value": _plain(value.value), "unit": value.unit, "u": _plain(value.u)}
        found |= {} if value.time is None else {"time": _plain(value.time)}
        return found | {"at_end": True} if value.at_end else found
    if isinstance(value, Diagnostic):
        return dataclasses.asdict(value) | {"grade": value.grade}
    if dataclasses.is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(entry) for entry in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


def _value(kind: Any, raw: Any, at: str) -> Any:
    """A JSON value as the type `kind`; `at` names its place in an error."""
    if typing.get_origin(kind) is types.UnionType:
        if raw is None and type(None) in typing.get_args(kind):
            return None
        (kind,) = [branch for branch in typing.get_args(kind) if branch is not type(None)]
    origin, parts = typing.get_origin(kind), typing.get_args(kind)
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        return _record(kind, raw, at)
    if origin is typing.Literal:
        return _one_of(parts, raw, at)
    if origin is Mapping or (isinstance(origin, type) and issubclass(origin, Mapping)):
        return {key: _value(parts[1], entry, f"{at}.{key}") for key, entry in raw.items()}
    if origin is tuple:
        kinds = [parts[0]] * len(raw) if parts[-1] is Ellipsis else parts
        return tuple(
            _value(each, entry, f"{at}[{i}]")
            for i, (each, entry) in enumerate(zip(kinds, raw, strict=True))
        )
    return _scalar(kind, raw, at)


def _record(kind: type, raw: Any, at: str) -> Any:
    if not isinstance(raw, dict):
        raise TypeError(f"{at} is not an object")
    hints = typing.get_type_hints(kind)
    known = {f.name for f in dataclasses.fields(kind)}
    return kind(**{k: _value(hints[k], v, f"{at}.{k}") for k, v in raw.items() if k in known})


def _one_of(allowed: tuple[Any, ...], raw: Any, at: str) -> Any:
    if raw not in allowed:
        raise ValueError(f"{at} is {raw!r}")
    return raw


def _scalar(kind: Any, raw: Any, at: str) -> Any:
    if kind is float and raw is None:
        return math.nan
    number = isinstance(raw, (int, float)) and not isinstance(raw, bool)
    if (kind is float and number) or (kind is int and number and raw == int(raw)):
        return kind(raw)
    if kind in (str, bool) and isinstance(raw, kind):
        return raw
    raise TypeError(f"{at} is {raw!r:.40}")
