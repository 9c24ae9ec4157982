import contextlib
import math
import subprocess
import sys

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tracker.core.units import KINDS, UnitError, parse, report_unit, show, si_factor

# Conversion factors: NIST SP 811 (2008), appendix B.8; those marked there as exact.
EXACT = [
    ("1 ft", "length", 0.3048),
    ("1 in", "length", 0.0254),
    ("1 yd", "length", 0.9144),
    ("1 mi/h", "speed", 0.44704),
    ("1 km/h", "speed", 1 / 3.6),
    ("1 lb", "mass", 0.45359237),
    ("1 t", "mass", 1000.0),
    ("1 g_0", "acceleration", 9.80665),
    ("1 lbf", "force", 4.4482216152605),
    ("180 deg", "angle", 3.141592653589793),
    ("1 Hz", "rate", 1.0),
]


@pytest.mark.parametrize(("text", "kind", "si"), EXACT)
def test_units_have_their_published_size(text: str, kind: str, si: float) -> None:
    assert parse(text, kind) == pytest.approx(si, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "si"),
    [
        ("7 ft 8 in", 92 * 0.0254),
        ("-7 ft 8 in", -92 * 0.0254),
        ("7 ft + 8 in", 92 * 0.0254),
        ("5 3/4 in", 5.75 * 0.0254),
        ("7 ft 8 3/4 in", 92.75 * 0.0254),
        ("3/4 in", 0.75 * 0.0254),
        ("-0.45 m", -0.45),
        ("\N{MINUS SIGN}0.45 m", -0.45),
        ("1e-3 m", 0.001),
        (".5m", 0.5),
        ("2 feet 1 inch", 25 * 0.0254),
    ],
)
def test_a_length_is_the_sum_of_its_terms(text: str, si: float) -> None:
    assert parse(text, "length") == pytest.approx(si, rel=1e-12)


@pytest.mark.parametrize("text", ["9.80665 m/s2", "9.80665 m/s^2", "9.80665 m/s**2", "1 g_0"])
def test_standard_gravity_reads_the_same_in_every_spelling(text: str) -> None:
    assert parse(text, "acceleration") == pytest.approx(9.80665)


@pytest.mark.parametrize("bare", [30, 30.0, "30", " 30 ", "-30"])
@pytest.mark.parametrize("kind", KINDS)
def test_a_number_without_unit_is_reported_what_is_missing(bare: object, kind: str) -> None:
    with pytest.raises(UnitError, match="no unit where") as error:
        parse(bare, kind)
    assert KINDS[kind].name in error.value.what
    assert parse(KINDS[kind].example, kind) > 0  # the example in the remedy is right


@pytest.mark.parametrize(
    ("text", "kind", "named"),
    [
        ("62 kg", "speed", "a mass where a speed"),
        ("30 g", "acceleration", "write 'g_0' for standard gravity"),
        ("100 lbf", "mass", "write 'lb' for the pound of mass"),
        ("1000 fps", "rate", "write frames per second as '1/s'"),
        ("1000 deg/s", "rate", "an angular rate where a rate"),
        ("5 percent", "angle", "where an angle is needed"),
        ("3 bananas", "length", "unknown unit 'bananas'"),
    ],
)
def test_a_wrong_unit_is_named_with_what_was_needed(text: str, kind: str, named: str) -> None:
    with pytest.raises(UnitError, match=named):
        parse(text, kind)


@pytest.mark.parametrize(
    "text",
    ["", "-", "m", "--1 m", "1 m -2 m", "(1 m)", "1 m; 2", "__import__('os')", "1e999 m", "1/0 m",
     "1 m" * 100, "2**2 m", "nan m", "inf m", "1 m 2", "0x1F m"],
)  # fmt: skip
def test_what_is_not_a_quantity_is_refused(text: str) -> None:
    with pytest.raises(UnitError):
        parse(text, "length")


@settings(max_examples=300, deadline=None)
@example("0¼")
@given(st.one_of(st.text(max_size=90), st.from_regex(r"[0-9./e+ -]{1,9} ?[a-z/*^_0-9 ]{1,9}")))
def test_any_text_is_a_finite_value_or_a_sentence(text: str) -> None:
    value = 0.0
    with contextlib.suppress(UnitError):
        value = parse(text, "length")
    assert math.isfinite(value)


@given(st.floats(-1e6, 1e6))
def test_a_length_and_its_negative_read_alike(value: float) -> None:
    text = f"{abs(value):.9f} ft"
    assert parse("-" + text, "length") == -parse(text, "length")


@pytest.mark.parametrize(
    ("kind", "us", "si"),
    [
        ("speed", "mi/h", "km/h"),
        ("occupant_speed", "ft/s", "m/s"),
        ("length", "ft", "m"),
        ("small_length", "in", "mm"),
        ("mass", "lb", "kg"),
        ("angle", "deg", "deg"),
    ],
)
def test_report_units_are_those_of_the_conventions_and_read_back(
    kind: str, us: str, si: str
) -> None:
    parsed_as = {"occupant_speed": "speed", "small_length": "length"}.get(kind, kind)
    for system, unit in (("us", us), ("si", si)):
        name, factor = report_unit(kind, system)  # type: ignore[arg-type]
        assert name == unit
        assert factor * si_factor(unit, parsed_as) == pytest.approx(1.0, rel=1e-12)


def test_force_and_energy_units_are_consistent_with_each_other() -> None:
    for system in ("us", "si"):
        force, energy, length = (
            report_unit(kind, system)[1]  # type: ignore[arg-type]
            for kind in ("force", "energy", "length")
        )
        assert energy == pytest.approx(force * length)


def test_a_value_shows_two_digits_of_its_uncertainty() -> None:
    assert show(27.71648, "speed", "us", 0.0447) == "62.00 ± 0.10 mi/h"
    assert show(27.71648, "speed", "si", 0.0447) == "99.78 ± 0.16 km/h"
    assert show(1097.69, "mass", "us", 45.0) == "2420 ± 99 lb"
    assert show(0.01, "length", "si", 0.000999) == "0.0100 ± 0.0010 m"


def test_a_value_without_uncertainty_has_fixed_decimals() -> None:
    assert show(27.71648, "speed", "us") == "62.00 mi/h"
    assert show(-1e-9, "angle", "si") == "0.00 deg"
    assert show(None, "speed", "us") == show(float("nan"), "speed", "si") == "-"
    assert show(9.80665, "acceleration", "us") == show(1.0, "acceleration_g", "us") == "1.00 g"


def test_reading_a_record_loads_units_only_when_a_quantity_is_read() -> None:
    code = "import sys, tracker.record; sys.exit('pint' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
