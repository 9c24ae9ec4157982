"""What time zero rests on: a row a piece of evidence."""

from __future__ import annotations

from tracker.report.blocks import TableBlock, table
from tracker.report.digits import value_with_u
from tracker.results.schema import Results


def time_zero(results: Results) -> TableBlock | None:
    """Each piece of evidence for the moment of contact; None where there is none with a u."""
    found = results.time_zero
    if found is None or not found.sources:
        return None
    rows = [
        (
            s.name,
            value_with_u(1e3 * s.moment.value, 1e3 * s.moment.u),
            f"{100 * s.weight:.0f}",
            f"{100 * s.sound:.0f}",
        )
        for s in found.sources
    ]
    head = ("evidence", "contact (ms)", "share of time zero (%)", "sound (%)")
    return table(f"Time zero, u {1e3 * found.u:.2g} ms, rests on", head, rows, "lrrr")
