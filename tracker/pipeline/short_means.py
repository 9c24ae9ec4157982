"""Means over 10 ms from a film that does not show as much: they are the least that they can be.

The largest mean over a short window is a peak. A film whose noise hides what is shorter than
several windows shows the peak smoothed, and the spread of the solution, which supposes one
roughness for the whole blow, does not hold what is missing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.core.types import Quantity
from tracker.motion.posterior import Solution
from tracker.motion.resolution import time_resolution
from tracker.outcome.contact import ContactEnd
from tracker.outcome.occupant_risk import RIDEDOWN_WINDOW
from tracker.pipeline.options import EVALUATION
from tracker.results.schema import VehicleResult

_BY_AXIS = (("ridedown_x", "ridedown_x_after"), ("ridedown_y", "ridedown_y_after"))


def contact_resolution(solution: Solution, vehicle: str, contact: ContactEnd | None) -> Array:
    """`time_resolution` (2,), s, until contact ends, or the film."""
    last = solution.span(vehicle)[1]
    return time_resolution(solution, vehicle, min(last, contact.end) if contact else last)


def smoothed_at_least(
    figures: Mapping[str, Quantity | None], resolution: Array
) -> dict[str, Quantity | None]:
    """The figures, means over 10 ms marked as "at least" along axes in which the film shows less
    (`resolution` (2,), s) and a blow at all.
    """
    out = dict(figures)
    smoothed = [
        name
        for names, shown in zip(_BY_AXIS, resolution, strict=True)
        if _is_smoothed(figures.get(names[0]), float(shown))
        for name in names
    ]
    for name in [*smoothed, *(["phd"] if smoothed else [])]:
        figure = out.get(name)
        if figure is not None:
            out[name] = replace(figure, at_end=True)
    return out


def smoothed_ridedown(
    solution: Solution,
    vehicles: Mapping[str, VehicleResult],
    ends: Mapping[str, ContactEnd | None],
) -> Iterator[Diagnostic]:
    """A warning for each vehicle whose ridedown by film is smoothed."""
    for vehicle in solution.vehicles:
        film = vehicles[vehicle].occupant.film if vehicle in vehicles else None
        resolution = contact_resolution(solution, vehicle, ends.get(vehicle))
        for (name, _), shown in zip(_BY_AXIS, resolution, strict=True):
            if _is_smoothed(getattr(film, name, None), float(shown)):
                text = (
                    f"{name} from film is the least that it can be: with marks as noisy as these "
                    f"the film shows the acceleration to {1e3 * shown:.0f} ms, and ridedown is a "
                    "mean over 10 ms; let an accelerometer decide"
                )
                yield Diagnostic("ridedown_smoothed", text, f"vehicles.{vehicle}")


def _is_smoothed(figure: Quantity | None, shown: float) -> bool:
    """Whether a blow stands out that the film shows to `shown`, s, only."""
    return (
        figure is not None
        and abs(figure.value) > EVALUATION.blow_sigmas * figure.u
        and shown > EVALUATION.windows_shown * RIDEDOWN_WINDOW
    )
