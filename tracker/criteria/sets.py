"""Sets of limits: published ones that come with the program, or one's own TOML file."""

from __future__ import annotations

import math
from dataclasses import dataclass
from difflib import get_close_matches
from importlib import resources
from pathlib import Path
from typing import Any, Literal, NoReturn, get_args

from calibration.constants import GRAVITY
from calibration.errors import RECORD, RecordError
from calibration.files import read_bounded
from tracker.core.units import UnitError, brief, parse
from tracker.criteria.options import CRITERIA
from tracker.results.verdicts import Measure
from tracker.storage.toml_text import TooDeepError, toml_tables

When = Literal["always", "head-on", "angled"]
Device = Literal["breakaway", "work-zone", "other"]
"""breakaway: a support that yields or breaks away; work-zone: a traffic control device."""
DEVICES: tuple[Device, ...] = get_args(Device)

PUBLISHED = (
    *("nchrp230", "nchrp350", "mash2009", "mash2016"),
    *("en1317", "en1317-1998", "en1317-2010", "none"),
)

QUANTITIES = {
    "oiv_x": "speed",
    "oiv_y": "speed",
    "ridedown_x": "acceleration_g",
    "ridedown_y": "acceleration_g",
    "thiv": "speed",
    "phd": "acceleration_g",
    "asi": "number",
    "asi_13hz": "number",
    "mean50_x": "acceleration_g",
    "mean50_y": "acceleration_g",
    "max_roll": "angle",
    "min_roll": "angle",
    "max_pitch": "angle",
    "min_pitch": "angle",
    "max_yaw": "angle",
    "min_yaw": "angle",
    "max_rise": "length",
    "travel_x": "length",
    "travel_y": "length",
    "velocity_change": "speed",
    "impact_speed": "speed",
    "impact_angle": "angle",
    "impact_offset": "length",
    "max_dynamic": "length",
}
"""What a limit can be set on, and its kind."""
OCCUPANT_SPEEDS = ("oiv_x", "oiv_y")
"""Speeds that a report shows in the unit of occupant velocities."""

UNIT = {
    "speed": "m/s",
    "acceleration_g": "g",
    "number": "1",
    "angle": "rad",
    "length": "m",
    "mass": "kg",
    "energy": "J",
}
"""The unit of each kind in results."""

_KEYS = ("title", "flail", "limits", "tolerances", "masses", "severity", "not_judged")
FILE_LIMIT = 2**20
"""Largest criteria file, in bytes."""


@dataclass(frozen=True)
class Limit:
    """The largest magnitude allowed to any of some quantities."""

    name: str
    quantity: tuple[str, ...]  # the one of largest magnitude counts
    most: float  # SI, g for accelerations
    unit: str
    text: str  # the limit as the document writes it
    preferred: bool
    when: When
    source: str
    device: tuple[Device, ...] = ()  # those that it is for; empty: all

    def is_for(self, device: Device) -> bool:
        """Whether it is a limit for this device."""
        return not self.device or device in self.device


@dataclass(frozen=True)
class Tolerance:
    """How far a quantity may lie from the test plan's value."""

    name: str
    quantity: str
    intended: Literal["speed", "angle", "offset"]
    low: float  # SI, or a share of the intended value
    high: float
    share: bool
    unit: str
    text: str
    source: str

    def around(self, intended: float) -> tuple[float, float]:
        """Least and largest difference allowed from the intended value, SI."""
        size = abs(intended) if self.share else 1.0
        return self.low * size, self.high * size


@dataclass(frozen=True)
class NominalMass:
    """The mass of a standard vehicle and its tolerance, kg."""

    vehicle: str
    role: str
    nominal: float
    within: float
    text: str
    source: str


@dataclass(frozen=True)
class Severity:
    """Least share of the nominal kinetic energy, lateral part in angled tests."""

    least: float
    head_on: float  # rad; below it the test is head-on
    source: str


@dataclass(frozen=True)
class Aspect:
    """What the document asks for and films and accelerometers don't show."""

    name: str
    why: str


@dataclass(frozen=True)
class Criteria:
    """A set of limits."""

    name: str
    title: str
    flail: tuple[float, float]  # m
    limits: tuple[Limit, ...] = ()
    tolerances: tuple[Tolerance, ...] = ()
    masses: tuple[NominalMass, ...] = ()
    severity: Severity | None = None
    not_judged: tuple[Aspect, ...] = ()


def load_criteria(name: str, folder: Path = Path()) -> Criteria:
    """A published set by its name, or the set in a TOML file beside the record.

    Raises
    ------
    Problem : there is no such set or file, or the file does not say what a limit needs.
    """
    if name in PUBLISHED:
        text = (
            resources.files("tracker.criteria").joinpath("data", f"{name}.toml").read_text("utf-8")
        )
        return _Reader(name, name).read(toml_tables(text))
    if not name.endswith(".toml"):
        near = get_close_matches(name, PUBLISHED, n=1)
        raise RecordError(
            f'there are no criteria "{name}"',
            where="test.criteria",
            remedy=f'did you mean "{near[0]}"?'
            if near
            else f"choose one of {', '.join(PUBLISHED)}",
            status=RECORD,
        )
    remedy = "check its name and its place beside the record"
    data = read_bounded(folder / name, FILE_LIMIT, where=name, remedy=remedy)
    try:
        raw = toml_tables(data.decode("utf-8-sig"))
    except TooDeepError as error:
        what = f"line {error.line} holds {error}"
    except ValueError as error:
        what = f"it is no TOML ({error})"
    else:
        return _Reader(Path(name).stem, name).read(raw)
    raise RecordError(what, where=name, remedy="correct it", status=RECORD)


@dataclass(frozen=True)
class _Reader:
    """Reads tables of a set; knows where it is for its error sentences."""

    name: str
    where: str

    def read(self, raw: dict[str, Any]) -> Criteria:
        """The whole set."""
        self.known(raw, _KEYS, "")
        flail = raw.get("flail", ["0.6 m", "0.3 m"])
        if not isinstance(flail, list) or len(flail) != 2:
            self.refuse("flail", "has not two lengths", 'write as flail = ["0.6 m", "0.3 m"]')
        severity = raw.get("severity")
        return Criteria(
            self.name,
            str(raw.get("title", self.name)),
            (self.value(flail[0], "length", "flail"), self.value(flail[1], "length", "flail")),
            tuple(self.limit(t, f"limits[{k}]") for k, t in self.tables(raw, "limits")),
            tuple(self.tolerance(t, f"tolerances[{k}]") for k, t in self.tables(raw, "tolerances")),
            tuple(self.mass(t, f"masses[{k}]") for k, t in self.tables(raw, "masses")),
            None if severity is None else self.severity(severity),
            tuple(self.aspect(t, f"not_judged[{k}]") for k, t in self.tables(raw, "not_judged")),
        )

    def aspect(self, table: dict[str, Any], at: str) -> Aspect:
        self.known(table, ("name", "why"), at)
        return Aspect(self.text(table, "name", at), self.text(table, "why", at))

    def limit(self, table: dict[str, Any], at: str) -> Limit:
        self.known(table, ("name", "quantity", "most", "preferred", "when", "device", "source"), at)
        quantities = table.get("quantity", [])
        quantities = [quantities] if isinstance(quantities, str) else quantities
        if not isinstance(quantities, list) or not quantities:
            self.refuse(f"{at}.quantity", "names no quantity", 'write as quantity = "oiv_x"')
        kinds = {self.kind(q, f"{at}.quantity") for q in quantities}
        if len(kinds) > 1:
            self.refuse(f"{at}.quantity", "mixes kinds of quantities", "give each its own limit")
        kind = kinds.pop()
        when = table.get("when", "always")
        if when not in ("always", "head-on", "angled"):
            self.refuse(f"{at}.when", f"is {brief(when)}", 'write "always", "head-on" or "angled"')
        return Limit(
            self.text(table, "name", at),
            tuple(quantities),
            self.value(self.need(table, "most", at), kind, f"{at}.most"),
            UNIT[kind],
            _written_limit(table["most"]),
            bool(table.get("preferred", False)),
            when,
            self.text(table, "source", at),
            self.devices(table.get("device", []), at),
        )

    def devices(self, names: object, at: str) -> tuple[Device, ...]:
        listed = [names] if isinstance(names, str) else names
        if not isinstance(listed, list) or not set(map(str, listed)) <= set(DEVICES):
            self.refuse(f"{at}.device", f"is {brief(names)}", f"use {', '.join(DEVICES)}")
        return tuple(device for device in DEVICES if device in listed)

    def tolerance(self, table: dict[str, Any], at: str) -> Tolerance:
        self.known(table, ("name", "quantity", "intended", "within", "low", "high", "source"), at)
        quantity = self.text(table, "quantity", at)
        kind = self.kind(quantity, f"{at}.quantity")
        intended = table.get("intended")
        if intended not in ("speed", "angle", "offset"):
            self.refuse(f"{at}.intended", "is not given", 'write "speed", "angle" or "offset"')
        low, high, text = self.span(table, at)
        share = {str(end).strip().endswith("%") for end in (low, high)}
        if len(share) > 1:
            self.refuse(at, "mixes a share with a quantity", "give both ends in one unit, or in %")
        (in_share,) = share
        return Tolerance(
            self.text(table, "name", at),
            quantity,
            intended,
            self.end(low, kind, in_share, at),
            self.end(high, kind, in_share, at),
            in_share,
            UNIT[kind],
            text,
            self.text(table, "source", at),
        )

    def span(self, table: dict[str, Any], at: str) -> tuple[object, object, str]:
        """Both ends of a tolerance as written, and how a note writes it."""
        if "within" in table:
            if "low" in table or "high" in table:
                self.refuse(f"{at}.within", "stands beside low and high", "give one of the two")
            within = table["within"]
            return f"-{str(within).strip()}", within, f"± {_written_limit(within)}"
        low, high = self.need(table, "low", at), self.need(table, "high", at)
        return low, high, f"{_written_limit(low)} to {_written_limit(high)}"

    def end(self, text: object, kind: str, share: bool, at: str) -> float:
        """One end of a tolerance, SI or a share."""
        if share:
            return self.value(str(text).strip().removesuffix("%"), "number", at) / 100.0
        return self.value(text, kind, at)

    def mass(self, table: dict[str, Any], at: str) -> NominalMass:
        self.known(table, ("vehicle", "role", "nominal", "within", "source"), at)
        nominal, within = self.need(table, "nominal", at), self.need(table, "within", at)
        return NominalMass(
            self.text(table, "vehicle", at),
            str(table.get("role", "striking")),
            self.value(nominal, "mass", f"{at}.nominal"),
            self.value(within, "mass", f"{at}.within"),
            f"{nominal} ± {within}",
            self.text(table, "source", at),
        )

    def severity(self, table: object) -> Severity:
        if not isinstance(table, dict):
            self.refuse("severity", "is no table", "write it as [severity]")
        self.known(table, ("least", "head_on", "source"), "severity")
        return Severity(
            self.value(self.need(table, "least", "severity"), "number", "severity.least"),
            self.value(table.get("head_on", "5 deg"), "angle", "severity.head_on"),
            self.text(table, "source", "severity"),
        )

    def tables(self, raw: dict[str, Any], key: str) -> list[tuple[int, dict[str, Any]]]:
        tables = raw.get(key, [])
        if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
            self.refuse(key, "is no list of tables", f"write each as [[{key}]]")
        return list(enumerate(tables, start=1))

    def known(self, table: dict[str, Any], keys: tuple[str, ...], at: str) -> None:
        for key in table:
            if key not in keys:
                near = get_close_matches(key[:80], keys, n=1)
                path = f"{at}.{brief(key)}" if at else brief(key)
                remedy = f'did you mean "{near[0]}"?' if near else f"use {', '.join(keys)}"
                self.refuse(path, "is no key of this table", remedy)

    def kind(self, quantity: object, at: str) -> str:
        if not isinstance(quantity, str) or quantity not in QUANTITIES:
            near = get_close_matches(brief(quantity), QUANTITIES, n=1)
            remedy = f'did you mean "{near[0]}"?' if near else f"use {', '.join(QUANTITIES)}"
            self.refuse(at, f"{brief(quantity)} is no quantity that is measured", remedy)
        return QUANTITIES[str(quantity)]

    def need(self, table: dict[str, Any], key: str, at: str) -> object:
        if key not in table:
            self.refuse(f"{at}.{key}", "is missing", "add it")
        return table[key]

    def text(self, table: dict[str, Any], key: str, at: str) -> str:
        value = self.need(table, key, at)
        if not isinstance(value, str) or not value.strip():
            self.refuse(f"{at}.{key}", "is no text", "write it as a text in quotes")
        return str(value)

    def value(self, text: object, kind: str, at: str) -> float:
        try:
            if kind == "number":
                number = float(str(text))
                if not math.isfinite(number):
                    raise ValueError
                return number
            found = parse(text, "acceleration" if kind == "acceleration_g" else kind)
        except UnitError as error:
            self.refuse(at, error.what, error.remedy)
        except ValueError:
            self.refuse(at, f"{brief(text)} is no number", "write a number")
        return found / GRAVITY if kind == "acceleration_g" else found

    def refuse(self, key: str, what: str, remedy: str) -> NoReturn:
        raise RecordError(f"{key}: {what}", where=self.where, remedy=remedy, status=RECORD)


def _written_limit(value: object) -> str:
    """A limit as the file writes it, standard gravity as the trade does."""
    text = str(value)
    number, _, unit = text.partition(" ")
    return f"{number} g" if unit == "g_0" else text


def measure(quantity: str) -> Measure:
    """In which kind of unit a report shows a quantity."""
    if quantity in OCCUPANT_SPEEDS:
        return "occupant_speed"
    return _MEASURE[QUANTITIES[quantity]]


_MEASURE: dict[str, Measure] = {
    "speed": "speed",
    "acceleration_g": "acceleration_g",
    "number": "plain",
    "angle": "angle",
    "length": "length",
}


def is_head_on(angle: float | None, below: float = CRITERIA.head_on) -> bool:
    """True for an intended angle (rad) less than `below`, and where none is stated."""
    return angle is None or abs(angle) < below
