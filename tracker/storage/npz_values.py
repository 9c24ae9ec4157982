"""Values of this program in a file, as numbers and text only: reading one runs no code.

A file is a NumPy archive (no pickled arrays): the arrays, and a JSON text that says how they and
plain values make up the value. Only classes that the reader names are built from it.
"""

from __future__ import annotations

import dataclasses
import enum
import json
import types
import typing
from collections.abc import Iterable, Mapping
from typing import Any, BinaryIO

import numpy as np

from calibration.arrays import Array

TEXT = "text"
"""Name of the JSON text in the archive."""
PLAIN = (bool, int, float, str)


def classes_of(*roots: type) -> dict[str, type]:
    """The dataclasses `roots` and the classes in their fields' types, by qualified name."""
    found: dict[str, type] = {}
    for root in roots:
        _collect(root, found)
    return found


def write_values(file: BinaryIO, value: Any) -> None:
    """Write a value: plain values, arrays, and tuples, lists, mappings and dataclasses of such.

    Raises TypeError for any other kind.
    """
    writer = _ValueWriter()
    text = json.dumps(writer.node(value)).encode()
    np.savez(file, **{TEXT: np.frombuffer(text, np.uint8)}, **writer.arrays)  # type: ignore[arg-type]


def read_values(file: BinaryIO, classes: Mapping[str, type]) -> Any:
    """The value in a file, built of no other dataclasses than `classes`.

    Raises ValueError, KeyError, TypeError, EOFError or OSError where the file holds no such value.
    """
    with np.load(file, allow_pickle=False) as archive:
        arrays = {name: archive[name] for name in archive.files}
    return _ValueReader(arrays, classes).value(json.loads(arrays[TEXT].tobytes()))


class _ValueWriter:
    """Makes the JSON tree; a value met twice is written once."""

    def __init__(self) -> None:
        self.arrays: dict[str, Array] = {}
        self._numbers: dict[int, int] = {}
        self._alive: list[Any] = []  # while they are, no other object has their `id`

    def node(self, value: Any) -> Any:
        if value is None or type(value) in PLAIN:
            return value
        if isinstance(value, np.generic):
            return {"scalar": self._array(np.asarray(value))}
        if isinstance(value, (str, int)) and _is_built(type(value)):
            return {"class": _name(type(value)), "plain": _plain(value)}
        if type(value) in (tuple, list):
            kind = "tuple" if isinstance(value, tuple) else "list"
            return {kind: [self.node(entry) for entry in value]}
        if isinstance(value, Mapping):
            return {"mapping": [[self.node(k), self.node(v)] for k, v in value.items()]}
        if id(value) in self._numbers:
            return {"again": self._numbers[id(value)]}
        return self._remember(value)

    def _remember(self, value: Any) -> dict[str, Any]:
        number = self._numbers[id(value)] = len(self._numbers)
        self._alive.append(value)
        if isinstance(value, np.ndarray):
            return {"array": self._array(value), "number": number}
        if not dataclasses.is_dataclass(value) or isinstance(value, type):
            raise TypeError(f"a {type(value).__name__} is not written")
        entries = {f.name: self.node(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return {"class": _name(type(value)), "fields": entries, "number": number}

    def _array(self, array: Array) -> str:
        if array.dtype.hasobject:
            raise TypeError("an array of objects is not written")
        name = f"a{len(self.arrays)}"
        self.arrays[name] = array
        return name


class _ValueReader:
    def __init__(self, arrays: Mapping[str, Array], classes: Mapping[str, type]) -> None:
        self._arrays = arrays
        self._classes = classes
        self._numbered: dict[int, Any] = {}

    def value(self, node: Any) -> Any:
        if not isinstance(node, dict):
            return node
        if "scalar" in node:
            return self._arrays[node["scalar"]][()]
        if "tuple" in node:
            return tuple(self.value(entry) for entry in node["tuple"])
        if "list" in node:
            return [self.value(entry) for entry in node["list"]]
        if "mapping" in node:
            return {self.value(k): self.value(v) for k, v in node["mapping"]}
        if "plain" in node:
            return _build(self._classes[node["class"]], node["plain"])
        if "again" in node:
            return self._numbered[node["again"]]
        made = self._arrays[node["array"]] if "array" in node else self._instance(node)
        self._numbered[node["number"]] = made
        return made

    def _instance(self, node: Mapping[str, Any]) -> Any:
        cls = self._classes[node["class"]]
        return cls(**{name: self.value(entry) for name, entry in node["fields"].items()})


def _is_built(cls: type) -> bool:
    """Whether its values are built from one text or number: identities and enumerations."""
    return issubclass(cls, enum.IntEnum) or (issubclass(cls, str) and hasattr(cls, "parse"))


def _plain(value: str | int) -> str | int:
    return str.__str__(value) if isinstance(value, str) else int(value)


def _build(cls: Any, plain: str | int) -> Any:
    return cls(plain) if issubclass(cls, enum.IntEnum) else cls.parse(plain)


def _name(cls: type) -> str:
    return f"{cls.__module__}.{cls.__qualname__}"


def _collect(kind: Any, found: dict[str, type]) -> None:
    for part in _parts(kind):
        if not isinstance(part, type) or _name(part) in found:
            continue
        if _is_built(part):
            found[_name(part)] = part
        elif dataclasses.is_dataclass(part):
            found[_name(part)] = part
            hints = typing.get_type_hints(part)
            for field in dataclasses.fields(part):
                _collect(hints[field.name], found)


def _parts(kind: Any) -> Iterable[Any]:
    """A type and, where it is made of others, those."""
    arguments = typing.get_args(kind)
    if isinstance(kind, types.GenericAlias) or not arguments:
        yield typing.get_origin(kind) or kind
    for argument in arguments:
        yield from _parts(argument)
