"""Values as a test record writes them, and the sentence when one can't be read.

Every validator raises through `refuse`, so that an error carries what is wrong and what to do.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable
from itertools import islice
from typing import Annotated, NoReturn

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict
from pydantic_core import PydanticCustomError

from tracker.core.types import PATTERNS
from tracker.core.types import Pattern as PatternName
from tracker.core.units import UnitError, brief, parse, si_factor

NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,63}")
RESERVED = re.compile(r"(?i)con|prn|aux|nul|com\d|lpt\d|survey")
"""Names that Windows keeps for devices, and the prefix of fixed targets in the results."""
COMPARED = 2000  # known words that a misspelt one is compared with


class Table(BaseModel):
    """A table of the record: nothing unknown in it, nothing changes after reading."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)


def refuse(what: str, remedy: str) -> NoReturn:
    """Raise the error that pydantic collects for this place of the record."""
    raise PydanticCustomError("record", "{what}; {remedy}", {"what": what, "remedy": remedy})


def quantity(kind: str, low: float, high: float, span: str) -> BeforeValidator:
    """Reads text with a unit into SI. `span` says in words what lies in [`low`, `high`]."""

    def read(value: object) -> float:
        try:
            si = parse(value, kind)
        except UnitError as error:
            refuse(error.what, error.remedy)
        if not low <= si <= high:
            refuse(f"{brief(value)} is not plausible here", f"check it; it should be {span}")
        return si

    return BeforeValidator(read)


def percent(low: float, high: float, span: str) -> BeforeValidator:
    """Reads text such as "0.1 %" into a share of one. `span` says what lies in [`low`, `high`]."""

    def read(value: object) -> float:
        found = re.fullmatch(r"\s*(\d+\.?\d*|\.\d+)\s*%\s*", str(value))
        if not isinstance(value, str) or found is None:
            refuse(f"{brief(value)} is not a percentage", 'write it as for instance "0.1 %"')
        share = float(found[1]) / 100
        if not low <= share <= high:
            refuse(f"{brief(value)} is not plausible here", f"check it; it should be {span}")
        return share

    return BeforeValidator(read)


def number(value: object) -> float:
    """A finite plain number."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        refuse(f"{brief(value)} is not a number", "write a plain number without unit")
    if isinstance(value, int) and abs(value) > 10**15:
        refuse(f"{brief(value)} is too large", "write a number of ordinary size")
    if not math.isfinite(value):
        refuse(f"{brief(value)} is not a finite number", "write a plain number without unit")
    return float(value)


def within(low: float, high: float, what: str) -> BeforeValidator:
    """A plain number between `low` and `high`, called `what` in the error."""

    def read(value: object) -> float:
        found = number(value)
        if not low <= found <= high:
            refuse(f"{brief(value)} is not {what}", f"write a number from {low:g} to {high:g}")
        return found

    return BeforeValidator(read)


def whole(low: int, high: int, what: str) -> BeforeValidator:
    """A whole number between `low` and `high`, called `what` in the error."""

    def read(value: object) -> int:
        found = number(value)
        if isinstance(value, float) or not low <= found <= high:
            refuse(f"{brief(value)} is not {what}", f"write a whole number from {low} to {high}")
        return int(found)

    return BeforeValidator(read)


def text(value: object) -> str:
    """A line of text that isn't empty."""
    if not isinstance(value, str):
        refuse(f"{brief(value)} is not text", "write it in quotes")
    if not value.strip() or len(value) > 500 or not value.isprintable():
        refuse(
            f"{brief(value)} is not a line of text",
            "write one line of at most 500 printable characters",
        )
    return value


def list_of_length(count: int, of: str) -> BeforeValidator:
    """Lets only a list of `count` entries through; `of` says what they are."""

    def read(value: object) -> object:
        if not isinstance(value, (list, tuple)) or len(value) != count:
            refuse(f"{brief(value)} is not a list of {count} entries", f"write {of}")
        return value

    return BeforeValidator(read)


def list_of_least(least: int, of: str) -> BeforeValidator:
    """Lets only a list of at least `least` entries through; `of` says what they are."""

    def read(value: object) -> object:
        if not isinstance(value, (list, tuple)) or len(value) < least:
            refuse(f"{brief(value)} is not a list of {least} entries or more", f"write {of}")
        return value

    return BeforeValidator(read)


def unit_text(*kinds: str) -> AfterValidator:
    """A unit of one of these kinds."""

    def read(value: str) -> str:
        for kind in kinds:
            try:
                si_factor(value, kind)
            except UnitError as error:
                last = error
            else:
                return value
        refuse(last.what, last.remedy)

    return AfterValidator(read)


def safe_name(what: str) -> BeforeValidator:
    """Lets only names through that can serve in file names; `what` says what they name."""

    def read(name: object) -> object:
        if not isinstance(name, str) or not NAME.fullmatch(name):
            refuse(
                f"{brief(name)} can't name {what}",
                "use letters, digits, '_' and '-', starting with a letter, at most 64",
            )
        if RESERVED.fullmatch(name):
            refuse(f"{brief(name)} is a reserved word and can't name {what}", "rename it")
        return name

    return BeforeValidator(read)


def nearest(found: str, known: Iterable[str]) -> str | None:
    """The known word that `found` most likely means; of very many, the first are looked at."""
    close = difflib.get_close_matches(found[:80], list(islice(known, COMPARED)), 1, 0.6)
    return close[0] if close else None


def choose(value: object, allowed: tuple[str, ...]) -> str:
    """Lets only one of the words `allowed` through."""
    if isinstance(value, str) and value in allowed:
        return value
    close = nearest(value, allowed) if isinstance(value, str) else None
    choice = f"write '{close}'" if close else "write one of: " + ", ".join(allowed)
    refuse(f"{brief(value)} is not known here", choice)


def one_of(*allowed: str) -> BeforeValidator:
    """Lets only one of the words `allowed` through."""
    return BeforeValidator(lambda value: choose(value, allowed))


Text = Annotated[str, BeforeValidator(text)]
GroundLength = Annotated[float, quantity("length", -1e4, 1e4, "within 10 km")]
BodyLength = Annotated[float, quantity("length", -50, 50, "within 50 m of the vehicle's origin")]
GroundPoint = Annotated[
    tuple[GroundLength, GroundLength, GroundLength],
    list_of_length(3, 'x, y and z, each with its unit, as ["1 m", "0 m", "-2 m"]'),
]
BodyPoint = Annotated[
    tuple[BodyLength, BodyLength, BodyLength],
    list_of_length(3, 'x, y and z, each with its unit, as ["1 m", "0 m", "-2 m"]'),
]
Coordinate = Annotated[float, within(-1e5, 1e5, "a pixel coordinate")]
Pixel = Annotated[
    tuple[Coordinate, Coordinate], list_of_length(2, "u and v in pixels, as [212, 801]")
]
Frame = Annotated[int, whole(0, 10**9, "a frame number")]
Speed = Annotated[float, quantity("speed", 0, 100, "from 0 to 100 m/s (224 mi/h)")]
Size = Annotated[float, quantity("length", 1e-3, 5, "from 1 mm to 5 m")]
SurveyU = Annotated[float, quantity("length", 0, 1, "from 0 to 1 m")]
Distance = Annotated[float, quantity("length", 1e-3, 1e4, "from 1 mm to 10 km")]
Extent = Annotated[int, whole(0, 100_000, "a place in the picture")]
Side = Annotated[int, whole(1, 100_000, "a width or height in pixels")]
Region = Annotated[
    tuple[Extent, Extent, Side, Side],
    list_of_length(4, "u and v of the corner, width and height in pixels, as [10, 10, 24, 24]"),
]
Pattern = Annotated[PatternName, one_of(*PATTERNS)]
