"""Sensor blocks in the report: what each is, what it says, and what the film would have shown."""

from __future__ import annotations

from collections.abc import Mapping

from tracker.core.units import System
from tracker.report.blocks import Block, Heading, TableBlock, Text, table
from tracker.report.digits import NONE, in_report, unit_of
from tracker.report.tables import fixed_decimals
from tracker.results.channels import CrossCheckResult
from tracker.results.schema import Results

SMALLEST_NOTE = (
    "The smallest fault of each kind that the comparison with the film would have found in 95 of "
    "100 tests: clipping at this level or lower, a channel's death at this time or earlier. "
    "Whatever is smaller stays unseen."
)


def processing(results: Results) -> list[Block]:
    """Filters and moving means behind the figures."""
    if not results.processing:
        return []
    return [Heading("Filters and means"), *[Text(sentence) for sentence in results.processing]]


def sensor_blocks(results: Results) -> TableBlock | None:
    """Every sensor block with its own figures, the one that judges marked."""
    system = results.test.report_units
    speed, _ = unit_of("occupant_speed", system)
    rows = []
    for block in results.accelerometers:
        figures = block.occupant
        oiv = in_report(figures.oiv_x if figures else None, "occupant_speed", system)
        ridedown = in_report(figures.ridedown_x if figures else None, "acceleration_g", system)
        rows.append(
            (
                block.name,
                block.vehicle,
                "yes" if block.primary else "no",
                NONE if block.sample_rate is None else f"{block.sample_rate:.0f}",
                "none" if block.cfc is None else f"{block.cfc:g}",
                oiv,
                ridedown,
                ", ".join(f"{f.channel}: {f.kind.replace('_', ' ')}" for f in block.faults) or NONE,
            )
        )
    head = (
        *("block", "vehicle", "judges", "samples (1/s)", "CFC"),
        *(f"OIV, x ({speed})", "ridedown, x (g)", "faults"),
    )
    return table("Sensor blocks", head, rows, "lllrrccl") if rows else None


def smallest_faults(vehicle: str, check: CrossCheckResult, system: System) -> TableBlock | None:
    """What the comparison with the film would have shown of each channel."""
    rows = [
        (name, *_smallest(one.smallest, one.unit == "m/s"))
        for name, one in check.channels.items()
        if one.smallest
    ]
    head = (
        *("channel", "scale (%)", "offset (g or deg/s)", "shift (ms)"),
        *("clipping (g or deg/s)", "death (ms)"),
    )
    caption = f"Smallest faults that would have been found, {vehicle}"
    return table(caption, head, rows, "lrrrrr", SMALLEST_NOTE) if rows else None


def _smallest(known: Mapping[str, float | None], is_acceleration: bool) -> tuple[str, ...]:
    _, size = unit_of("acceleration" if is_acceleration else "angular_rate", "si")
    factors = {
        "scale": 100.0,
        "offset": size,
        "time_shift": 1e3,
        "saturation": size,
        "dropout": 1e3,
    }
    cells = []
    for kind, factor in factors.items():
        value = known.get(kind)
        cells.append(
            fixed_decimals(None if value is None else value * factor, 1 if factor > 1 else 2)
        )
    return tuple(cells)
