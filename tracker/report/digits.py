"""How many digits of a number are shown, and numbers that stand under each other.

A standard uncertainty is given with two significant digits and its value to the same decimal
place (JCGM 100:2008, 7.2.6).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from decimal import ROUND_HALF_EVEN, Context, Decimal

from tracker.core.types import Quantity
from tracker.core.units import System, report_unit

NONE = "–"
PLUS_MINUS = " ± "
FIGURE_SPACE, POINT_SPACE = "\u2007", "\u2008"
"""Spaces as wide as a digit and as wide as a decimal point."""
FLOAT_DIGITS = 15  # that a number in memory holds
PLAIN_DIGITS = 4  # significant digits of a value whose uncertainty is not known


def round_with_u(value: float, u: float | None) -> tuple[str, str]:
    """A value and its standard uncertainty as text; the uncertainty is "" where not known.

    "–" where there is no value. Trailing zeros that stand left of the point are not significant.
    """
    if not math.isfinite(value):
        return NONE, ""
    if u is None or not math.isfinite(u) or u <= 0:
        return _text(value, _place(value, PLAIN_DIGITS) if value else -1), ""
    place = max(_place(u, 2), _place(value, FLOAT_DIGITS) if value else _place(u, 2))
    return _text(value, place), _text(u, place)


def value_with_u(value: float, u: float | None) -> str:
    """A value with its uncertainty, as "61.40 ± 0.12"."""
    shown, spread = round_with_u(value, u)
    return shown + PLUS_MINUS + spread if spread else shown


def in_report(quantity: Quantity | None, kind: str, system: System) -> str:
    """A quantity in the report's unit, without the unit, as "61.40 ± 0.12"; with "≥" before it, or
    "≤" before a negative one, where the record ends while it still grows.
    """
    if quantity is None:
        return NONE
    _, factor = unit_of(kind, system)
    return at_least(quantity.value, quantity.at_end) + value_with_u(
        quantity.value * factor, quantity.u * factor
    )


def at_least(value: float, at_end: bool) -> str:
    """The sign before a value that may still have grown, else nothing."""
    if not at_end:
        return ""
    return "≤ " if value < 0 else "≥ "


def unit_of(kind: str, system: System) -> tuple[str, float]:
    """The unit of a report and the factor from SI; kind "plain" is a bare number."""
    return ("", 1.0) if kind == "plain" else report_unit(kind, system)


def align_cells(cells: Sequence[str]) -> list[str]:
    """Cells such as "61.40 ± 0.12" padded so that they align at the "±" when centred.

    Digits must be of one width in the typeface.
    """
    parts = [cell.partition(PLUS_MINUS) for cell in cells]
    left = _widest(a for a, _, _ in parts)
    right = _widest(b for _, _, b in parts)
    spread = any(sign for _, sign, _ in parts)
    blank = FIGURE_SPACE * 2 + POINT_SPACE  # about as wide as the sign between its two spaces
    return [
        _padding(a, left) + a + (sign or blank * spread) + b + _padding(b, right)
        for a, sign, b in parts
    ]


def _widest(texts: Iterable[str]) -> tuple[int, int]:
    widths = [_width(text) for text in texts]
    return max((w[0] for w in widths), default=0), max((w[1] for w in widths), default=0)


def _padding(text: str, wanted: tuple[int, int]) -> str:
    digits, points = _width(text)
    return FIGURE_SPACE * (wanted[0] - digits) + POINT_SPACE * (wanted[1] - points)


def _width(text: str) -> tuple[int, int]:
    points = text.count(".")
    return len(text) - points, points


def _place(value: float, digits: int) -> int:
    """Power of ten of the last digit when `value` is rounded to a number of significant digits."""
    place = math.floor(math.log10(abs(value))) - digits + 1
    # 0.0996 rounds to 0.10: one place less
    grown = _quantize(abs(value), place)
    return place + (1 if grown >= Decimal((0, (1,), place + digits)) else 0)


def _text(value: float, place: int) -> str:
    number = _quantize(value, place)
    if number == 0:
        number = abs(number)
    return f"{number:f}".replace("-", "−")


def _quantize(value: float, place: int) -> Decimal:
    exact = Decimal(repr(float(value)))
    return exact.quantize(Decimal((0, (1,), place)), ROUND_HALF_EVEN, Context(prec=700))
