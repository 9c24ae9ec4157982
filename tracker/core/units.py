"""Units at the edges: text with a unit to SI numbers, SI numbers to the units of a report.

Reading uses Pint's unit definitions; they are loaded when the first quantity is read, so that
commands that read none start at once. `lb` is the pound avoirdupois (a mass), `g_0` is standard
gravity and `g` is the gram.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

System = Literal["us", "si"]
TEXT_LIMIT = 80
"""Longest text (characters) that is read as a quantity."""


@dataclass(frozen=True)
class Kind:
    """A physical kind that a record can ask for."""

    name: str  # with its article, as it stands in a sentence
    si: str  # the SI unit
    base: tuple[tuple[str, int], ...]  # base units and exponents, sorted by name
    example: str


KINDS = {
    "length": Kind("a length", "m", (("meter", 1),), "7 ft 8 in"),
    "time": Kind("a time", "s", (("second", 1),), "0.2 ms"),
    "mass": Kind("a mass", "kg", (("kilogram", 1),), "1100 kg"),
    "angle": Kind("an angle", "rad", (("radian", 1),), "25 deg"),
    "speed": Kind("a speed", "m/s", (("meter", 1), ("second", -1)), "62 mi/h"),
    "rate": Kind("a rate (a number per second)", "1/s", (("second", -1),), "1000 1/s"),
    "acceleration": Kind("an acceleration", "m/s^2", (("meter", 1), ("second", -2)), "30 g_0"),
    "angular_rate": Kind("an angular rate", "rad/s", (("radian", 1), ("second", -1)), "90 deg/s"),
    "force": Kind("a force", "N", (("kilogram", 1), ("meter", 1), ("second", -2)), "50 kN"),
}

HINTS = {
    ("acceleration", "g"): "write 'g_0' for standard gravity; 'g' is the gram",
    ("mass", "lbf"): "write 'lb' for the pound of mass; 'lbf' is a force",
    ("rate", "fps"): "write frames per second as '1/s'; 'fps' is foot per second",
}
"""What is likely meant where a unit of the wrong kind stands."""


class UnitError(ValueError):
    """A quantity that can't be read: what is wrong, and what to do."""

    def __init__(self, what: str, remedy: str) -> None:
        self.what = what
        self.remedy = remedy
        super().__init__(f"{what}; {remedy}")


_NUMBER = r"(?:\d+[ \t]+)?\d+/\d+|(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_NAME = r"(?:[^\W\d]+(?:_\d)?|°)(?:\d|(?:\*\*|\^)-?\d)?"
_UNIT = rf"(?:1\s*/\s*)?{_NAME}(?:\s*[*/·]\s*{_NAME})*"
_TERM = re.compile(rf"\s*({_NUMBER})\s*({_UNIT})\s*(?:\+\s*(?=[\d.]))?")
_POWER = re.compile(r"(?<=[^\W\d_])(\d)")


def parse(value: object, kind: str) -> float:
    """The SI value of a quantity such as "62 mi/h", "7 ft 8 in", "5 3/4 in" or "-0.45 m".

    Terms are summed; a sign stands in front and holds for the whole. Raises `UnitError` for a
    number without unit, a unit of another kind, or anything that is not a quantity.
    """
    wanted = KINDS[kind]
    write = f"write it as for instance '{wanted.example}'"
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise UnitError(f"{brief(value)} has no unit where {wanted.name} is needed", write)
    if not isinstance(value, str):
        raise UnitError(f"{brief(value)} is not {wanted.name}", write)
    text = value.strip()
    body = text.lstrip("+-−")
    sign = -1.0 if text[:1] in ("-", "−") else 1.0
    if len(text) > TEXT_LIMIT or len(text) - len(body) > 1:
        raise UnitError(f"{brief(value)} can't be read as {wanted.name}", write)
    if re.fullmatch(_NUMBER, body.strip()):
        raise UnitError(f"{brief(value)} has no unit where {wanted.name} is needed", write)
    total, at = 0.0, 0
    while at < len(body):
        term = _TERM.match(body, at)
        if term is None:
            raise UnitError(f"{brief(value)} can't be read as {wanted.name}", write)
        total += _number(term[1], brief(value), write) * si_factor(term[2], kind, brief(value))
        at = term.end()
    if not body or not math.isfinite(total):
        raise UnitError(f"{brief(value)} is not a finite value", write)
    return sign * total


def si_factor(unit: str, kind: str, shown: str | None = None) -> float:
    """The SI value of one `unit` of this kind, such as 9.80665 for ("g_0", "acceleration").

    `shown` is how an error names the text. Raises `UnitError` for an unknown unit or one of
    another kind.
    """
    wanted = KINDS[kind]
    shown = brief(unit) if shown is None else shown
    if len(unit) > TEXT_LIMIT or not re.fullmatch(_UNIT, unit.strip()):
        raise UnitError(f"{shown} is not a unit", f"write a unit such as '{wanted.si}'")
    spelled = _POWER.sub(r"**\1", unit.strip().replace("·", "*").replace("°", "degree"))
    try:
        factor, base = _in_base_units(spelled)
    except (ValueError, ArithmeticError):
        raise UnitError(
            f"{shown} has an unknown unit {brief(unit)}",
            f"write {wanted.name} as for instance '{wanted.example}'",
        ) from None
    if base != wanted.base:
        found = next((k.name for k in KINDS.values() if k.base == base), "another kind of quantity")
        hint = HINTS.get((kind, unit.strip()), f"write it as for instance '{wanted.example}'")
        raise UnitError(f"{shown} is {found} where {wanted.name} is needed", hint)
    return factor


@cache
def _registry() -> Any:
    import pint

    return pint.UnitRegistry()


@cache
def _in_base_units(unit: str) -> tuple[float, tuple[tuple[str, int], ...]]:
    """Factor to, and exponents of, the SI base units. Raises ValueError for an unknown unit."""
    import pint

    try:
        quantity = (1.0 * _registry().parse_units(unit)).to_base_units()
    except (pint.errors.PintError, AttributeError, KeyError, AssertionError, SyntaxError) as error:
        raise ValueError(unit) from error
    if quantity.units.dimensionality and not all(
        float(power).is_integer() for power in quantity._units.values()
    ):
        raise ValueError(unit)
    base = tuple(sorted((name, int(power)) for name, power in quantity._units.items()))
    return float(quantity.magnitude), base


def _number(text: str, shown: str, remedy: str) -> float:
    """A decimal number, a fraction "3/4" or a mixed number "5 3/4"."""
    if "/" not in text:
        return float(text)
    whole, fraction = text.split() if len(text.split()) == 2 else ("0", text)
    above, below = fraction.split("/")
    if float(below) == 0:
        raise UnitError(f"{shown} divides by zero", remedy)
    return float(whole) + float(above) / float(below)


def brief(value: object) -> str:
    """A value as an error sentence names it: one short line without control characters."""
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # an integer of thousands of digits
        return "a number too long to show"
    return text if len(text) <= 60 else f"{text[:56]}...{text[-1]}"


_FT, _IN, _LB, _LBF = 0.3048, 0.0254, 0.45359237, 4.4482216152605  # exact, NIST SP 811 app. B
_MILE_PER_HOUR, _G = 0.44704, 9.80665

_REPORT: dict[str, dict[str, tuple[str, float, int]]] = {
    "us": {
        "length": ("ft", 1 / _FT, 2),
        "small_length": ("in", 1 / _IN, 2),
        "speed": ("mi/h", 1 / _MILE_PER_HOUR, 2),
        "occupant_speed": ("ft/s", 1 / _FT, 2),
        "mass": ("lb", 1 / _LB, 0),
        "force": ("kip", 1e-3 / _LBF, 2),
        "energy": ("kip-ft", 1e-3 / (_LBF * _FT), 1),
        "momentum": ("lbf·s", 1 / _LBF, 1),
    },
    "si": {
        "length": ("m", 1.0, 3),
        "small_length": ("mm", 1e3, 1),
        "speed": ("km/h", 3.6, 2),
        "occupant_speed": ("m/s", 1.0, 2),
        "mass": ("kg", 1.0, 0),
        "force": ("kN", 1e-3, 1),
        "energy": ("kJ", 1e-3, 1),
        "momentum": ("kN·s", 1e-3, 3),
    },
}
_EITHER: dict[str, tuple[str, float, int]] = {
    "angle": ("deg", 180 / math.pi, 2),
    "angular_rate": ("deg/s", 180 / math.pi, 1),
    "acceleration": ("g", 1 / _G, 2),
    "acceleration_g": ("g", 1.0, 2),
    "time": ("s", 1.0, 4),
    "rate": ("1/s", 1.0, 2),
}
"""`acceleration` takes m/s^2; `acceleration_g` takes multiples of g, as results hold ridedown."""


def report_unit(kind: str, system: System) -> tuple[str, float]:
    """The unit of a report for this kind, and the factor by which an SI value is multiplied.

    Kinds: length, small_length, speed, occupant_speed, mass, angle, angular_rate, acceleration
    (from m/s^2), acceleration_g (already in g), time, rate, force, energy, momentum.
    """
    unit, factor, _ = _report(kind, system)
    return unit, factor


def show(value_si: float | None, kind: str, system: System, u: float | None = None) -> str:
    """A value with its report unit, such as "61.40 mi/h"; with `u`, "61.40 ± 0.12 mi/h".

    With a standard uncertainty (in the unit of the value) the decimals are such that it shows two
    significant digits (GUM 7.2.6), without one they are fixed for the kind. "-" for None or NaN.
    """
    if value_si is None or not math.isfinite(value_si):
        return "-"
    unit, factor, decimals = _report(kind, system)
    if u is None or not math.isfinite(u) or u <= 0:
        return f"{_fixed_text(value_si * factor, decimals)} {unit}"
    decimals = min(9, max(0, 1 - math.floor(math.log10(float(f"{u * factor:.1e}")))))
    return f"{_fixed_text(value_si * factor, decimals)} ± {u * factor:.{decimals}f} {unit}"


def _report(kind: str, system: System) -> tuple[str, float, int]:
    return _EITHER[kind] if kind in _EITHER else _REPORT[system][kind]


def _fixed_text(value: float, decimals: int) -> str:
    """Fixed decimals, without a minus sign in front of zero."""
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0 else text
