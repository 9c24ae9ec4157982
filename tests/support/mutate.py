"""Valid files made wrong: bytes flipped, cut and spliced, numbers and trees made absurd."""

from __future__ import annotations

import copy
import random
import re
from collections.abc import Callable
from typing import Any

NUMBERS = (
    "0",
    "-1",
    "1",
    "0.5",
    "-0",
    "nan",
    "NaN",
    "inf",
    "-inf",
    "Infinity",
    "1e400",
    "-1e308",
    "5e-324",
    "1e-9",
    "4294967296",
    "2147483647",
    "-2147483648",
    "9223372036854775808",
    "1000000000",
    "9" * 400,
    "1e",
    "0x7f",
    "1,5",
    "1.5.2",
    "",
    "text",
    "1_000",
    "١٢",
)
PIECES = (
    b"\x00",
    b"\xff",
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"\x80\x00\x00\x00",
    b"\x00\x00\x00\x00",
    b"\n",
    b"\r",
    b",",
    b";",
    b"\t",
    b'"',
    b"'",
    b"[",
    b"]",
    b"{",
    b"}",
    b"[[",
    b"=",
    b":",
    b"#",
    b"\xef\xbb\xbf",
    b"\xff\xfe",
    b"\xfe\xff",
    b"\xe2\x80\xa8",
    b"../",
    b"/etc/passwd",
    b"file://",
    b"<script>",
    b"&lt;",
    b"%s",
    b"\\",
    b"NOVALUE",
    b"null",
    b"true",
    b"moov",
    b"mdat",
    b"RIFF",
)
ODD: tuple[Any, ...] = (
    None,
    True,
    False,
    0,
    -1,
    1,
    2**31,
    2**63,
    -(2**63),
    10**30,
    10**400,
    0.0,
    -0.0,
    1e-320,
    1e308,
    -1e308,
    float("nan"),
    float("inf"),
    "",
    " ",
    "0",
    "nan",
    "x" * 600,
    "\x00",
    "\u202e",
    "1 m",
    "1 kg",
    "900 mi/h",
    "2 kg",
    "g_0",
    "../../x",
    "/etc/passwd",
    "C:\\x",
    "http://x/y",
    "<script>alert(1)</script>",
    "{{7*7}}",
    [],
    {},
    [[]],
    [0, 0, 0],
    ["0 m"] * 3,
    [0] * 40,
    {"value": 1},
    {"": {}},
)
NUMBER = re.compile(rb"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?")

Random = random.Random


def mutilated(data: bytes, others: tuple[bytes, ...], rng: Random) -> bytes:
    """The bytes with one to a few dozen wounds; `others` are files to splice from."""
    wounded = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8, 40))):
        WOUNDS[rng.randrange(len(WOUNDS))](wounded, others, rng)
    return bytes(wounded)


def _flip(data: bytearray, others: tuple[bytes, ...], rng: Random) -> None:
    for _ in range(rng.choice((1, 1, 4, 32))):
        if data:
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def _head(data: bytearray, others: tuple[bytes, ...], rng: Random) -> None:
    """A byte of the first or the last lines, where sizes and counts stand."""
    if data:
        reach = min(len(data), 512)
        at = rng.randrange(reach)
        data[at if rng.random() < 0.7 else len(data) - 1 - at] = rng.choice((0, 1, 127, 128, 255))


def _cut(data: bytearray, others: tuple[bytes, ...], rng: Random) -> None:
    if data:
        del data[rng.randrange(len(data)) :]


def _take(data: bytearray, others: tuple[bytes, ...], rng: Random) -> None:
    at = rng.randrange(len(data) + 1)
    del data[at : at + rng.choice((1, 4, 30, 400, 5000))]


def _repeat(data: bytearray, others: tuple[bytes, ...], rng: Random) -> None:
    at, to = (rng.randrange(len(data) + 1) for _ in range(2))
    data[to:to] = data[at : at + rng.choice((1, 8, 60, 800))] * rng.choice((1, 1, 2, 50))


def _insert(data: bytearray, others: tuple[bytes, ...], rng: Random) -> None:
    at = rng.randrange(len(data) + 1)
    piece = rng.choice(PIECES) if rng.random() < 0.8 else rng.randbytes(rng.choice((1, 9, 80)))
    data[at:at] = piece * rng.choice((1, 1, 1, 3, 2000))


def _splice(data: bytearray, others: tuple[bytes, ...], rng: Random) -> None:
    other = rng.choice(others) if others else bytes(data)
    at, start = rng.randrange(len(data) + 1), rng.randrange(len(other) + 1)
    data[at : at + rng.choice((0, 40, 900))] = other[start : start + rng.choice((9, 200, 4000))]


def _absurd(data: bytearray, others: tuple[bytes, ...], rng: Random) -> None:
    """A number of the text is another."""
    start = rng.randrange(len(data) + 1)
    found = NUMBER.search(data, start, start + 4000) or NUMBER.search(data, 0, 4000)
    if found:
        data[found.start() : found.end()] = rng.choice(NUMBERS).encode()


def _lines(data: bytearray, others: tuple[bytes, ...], rng: Random) -> None:
    """A line is taken out, doubled or moved."""
    at, to = (data.find(b"\n", rng.randrange(len(data) + 1)) + 1 for _ in range(2))
    end = data.find(b"\n", at) + 1 or len(data)
    line = bytes(data[at:end])
    way = rng.randrange(3)
    if way != 1:
        del data[at:end]
    if way != 0:
        data[to:to] = line


Wound = Callable[[bytearray, tuple[bytes, ...], Random], None]
WOUNDS: tuple[Wound, ...] = (
    _flip,
    _head,
    _cut,
    _take,
    _repeat,
    _insert,
    _splice,
    _absurd,
    _absurd,
    _lines,
)


def odd_tree(tree: Any, rng: Random) -> Any:
    """A tree of tables, lists and values with one to a few entries odd, gone, renamed or moved."""
    root = copy.deepcopy(tree)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        _change(root, rng)
    return root


def _change(root: Any, rng: Random) -> None:
    here, key = _place(root, rng)
    if here is None:
        return
    way = rng.randrange(8)
    if way < 4:
        here[key] = copy.deepcopy(rng.choice(ODD))
    elif way == 4:
        del here[key]
    elif way == 5 and isinstance(here, dict):
        here[rng.choice((f"{key}s", f"{key} ", "", "x.y", "nul", "<b>", "é"))] = here.pop(key)
    elif way == 6:
        there, other = _place(root, rng)
        if there is not None:
            here[key] = copy.deepcopy(there[other])
    elif isinstance(here, list):
        here.insert(0, copy.deepcopy(here[key]))
    else:
        here[f"{key}2"] = copy.deepcopy(here[key])


def _place(root: Any, rng: Random) -> tuple[Any, Any]:
    """A table or list somewhere in the tree, and one of its keys."""
    here: Any = root
    while True:
        keys = list(here) if isinstance(here, dict) else list(range(len(here)))
        if not keys:
            return None, None
        key = rng.choice(keys)
        if not isinstance(here[key], (dict, list)) or not here[key] or rng.random() < 0.1:
            return here, key
        here = here[key]


def toml(tree: dict[str, Any]) -> str:
    """A tree as TOML, as far as TOML can say it; odd enough to be wrong now and then."""
    return "".join(f"{_key(k)} = {_toml(v)}\n" for k, v in tree.items())


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(_letter(c) for c in value) + '"'
    return str(value)


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _toml(key)


def _letter(c: str) -> str:
    return c if c.isprintable() and c not in '"\\' else f"\\u{ord(c):04x}"
