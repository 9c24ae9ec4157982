"""Which figures of occupant risk a film leaves open, and why: nothing is missing without a word."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from calibration.findings import Diagnostic
from tracker.results.schema import OccupantResult, VehicleResult

_LATERAL = "lateral values, THIV, PHD and ASI"
_TURNING = "THIV and PHD"
_VERTICAL = "ASI"


def open_figures(vehicles: Mapping[str, VehicleResult], seen: Collection[str]) -> list[Diagnostic]:
    """What the films that show these vehicles (`seen`) leave open of their occupant risk."""
    found = []
    for name, result in vehicles.items():
        film, where = result.occupant.film, f"vehicles.{name}"
        if name not in seen:
            continue
        if film is None:
            text = (
                "the films do not determine this vehicle's velocity from before time zero on and "
                "its acceleration after it, or show too little of them: occupant risk from film "
                "is left open"
            )
            found.append(Diagnostic("occupant_open", text, where))
            continue
        for figures, quantity in _open_parts(film):
            text = f"the films do not determine the vehicle's {quantity}: {figures} left open"
            found.append(Diagnostic("occupant_open", text, where))
    return found


def _open_parts(film: OccupantResult) -> list[tuple[str, str]]:
    """Figures that are missing, and the quantity that they want."""
    if film.velocity_change_x is not None and film.velocity_change_y is None:
        return [(_LATERAL, "lateral velocity")]
    parts = []
    if film.oiv_x is not None and film.oiv_time is not None and film.thiv is None:
        parts.append((_TURNING, "yaw rate"))
    if film.mean50_y is not None and film.asi is None:
        parts.append((_VERTICAL, "vertical acceleration"))
    return parts
