"""Factors that turn the unit texts of signal files into SI."""

from __future__ import annotations

from functools import cache

import pint

from calibration.problem import RECORD, Problem

_QUANTITY = {
    "acceleration": "m/s**2",
    "angular rate": "rad/s",
    "time": "s",
}

_SPELLINGS = {
    "g": "g_0",
    "G": "g_0",
    "m/(s*s)": "m/s**2",
    "m/s^2": "m/s**2",
    "m/s2": "m/s**2",
    "m/s²": "m/s**2",
    "°/s": "deg/s",
    "sec": "s",
}


@cache
def _registry() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry()


def si_factor(unit: str, kind: str, where: str) -> float:
    """SI value of one `unit`; `kind` is "acceleration", "angular rate" or "time".

    A lone `g` is read as standard gravity, since none of these quantities is a mass.

    Raises
    ------
    Problem : the unit is not known or is none of that kind.
    """
    text = _SPELLINGS.get(unit.strip(), unit.strip())
    try:
        return float(_registry().Quantity(1.0, text).to(_QUANTITY[kind]).magnitude)
    except (pint.PintError, AttributeError, ValueError, TypeError, AssertionError):
        raise Problem(
            f'"{unit}" is no unit of {kind}',
            where=where,
            remedy=f'give a unit such as "{_EXAMPLE[kind]}"',
            status=RECORD,
        ) from None


_EXAMPLE = {"acceleration": "g_0", "angular rate": "deg/s", "time": "s"}
