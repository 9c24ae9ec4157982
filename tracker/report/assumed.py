"""The page of assumptions: every value that enters the numbers and was not measured in the test."""

from __future__ import annotations

from tracker.core.units import System
from tracker.report.blocks import Block, Text, table
from tracker.report.digits import unit_of
from tracker.report.tables import plain
from tracker.results.paperwork import Assumption
from tracker.results.schema import Results

SMALL = 0.1  # m; shorter lengths are shown in small units
PERCENT = "%"
ABOUT = (
    "Values that enter the numbers and were not measured in this test. What the record could "
    "state has its key beside it; the default holds where it does not. Options of the program "
    "that steer a stage stand in log.jsonl with their units."
)
ORIGIN = {"default": "default", "record": "stated"}


def assumption_table(results: Results) -> list[Block]:
    """The table of assumptions; empty where the results hold none."""
    if not results.assumptions:
        return []
    system = results.test.report_units
    rows = [
        (one.what, _value(one, system), ORIGIN[one.origin], one.where)
        for one in results.assumptions
    ]
    return [
        Text(ABOUT),
        table("Values taken as given", ("what", "value", "origin", "key"), rows, "llll"),
    ]


def _value(one: Assumption, system: System) -> str:
    if one.value is None:
        return one.text
    unit, factor = _unit(one, system)
    return f"{plain(one.value * factor)} {unit}".strip()


def _unit(one: Assumption, system: System) -> tuple[str, float]:
    match one.unit:
        case "m":
            return unit_of("small_length" if abs(one.value or 0) < SMALL else "length", system)
        case "kg":
            return unit_of("mass", system)
        case "m/s":
            return unit_of("occupant_speed", system)
        case "rad":
            return unit_of("angle", system)
        case "s":
            return "ms", 1e3
        case "1":
            return PERCENT, 100.0
        case "count":
            return "", 1.0
    return one.unit, 1.0
