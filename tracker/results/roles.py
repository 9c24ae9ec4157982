"""Which vehicle plays which part in a test."""

from __future__ import annotations

from tracker.results.schema import Results


def striking(results: Results) -> str | None:
    """The striking vehicle: the one the test is about. The first where no role says so."""
    for name, vehicle in results.vehicles.items():
        if vehicle.role == "striking":
            return name
    return next(iter(results.vehicles), None)
