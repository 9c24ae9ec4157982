"""What a reader of the figures must know: what is missing, still grows, hangs on a convention."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Mapping

from calibration.findings import Diagnostic
from tracker.criteria.decision import RULES, met_within, verdict
from tracker.criteria.sets import load_criteria
from tracker.outcome.options import OUTCOME
from tracker.pipeline.open_figures import open_figures
from tracker.pipeline.options import EVALUATION
from tracker.record.schema import Record
from tracker.results.schema import OccupantResult, VehicleResult


def figure_warnings(
    record: Record,
    vehicles: Mapping[str, VehicleResult],
    seen: Collection[str],
    sensed: Collection[str],
) -> list[Diagnostic]:
    """Every such remark on the figures of the vehicles.

    `seen`: vehicles that a film shows; `sensed`: those with accelerometers.
    """
    return [
        *_unseen_figures(record, seen),
        *open_figures(vehicles, seen),
        *_early(record, vehicles),
        *_contact_goes_on(vehicles),
        *_no_occupant_contact(vehicles),
        *_ridedown_windows(record, vehicles),
        *_severity_classes(record, vehicles),
        *_alone(vehicles, sensed),
    ]


def _ridedown_windows(record: Record, vehicles: Mapping[str, VehicleResult]) -> list[Diagnostic]:
    """That ridedown hangs on where its windows begin: values more than 2 u apart, or verdicts."""
    rule = RULES[record.test.decision]
    limits = [
        (name, limit.most)
        for limit in load_criteria(record.test.criteria, record.folder).limits
        for name in limit.quantity
    ]
    found = []
    for vehicle, result in vehicles.items():
        occupant = result.occupant
        for source in ("fused", "film", "accelerometer"):
            figures: OccupantResult | None = getattr(occupant, source)
            for name in ("ridedown_x", "ridedown_y"):
                centred = getattr(figures, name, None)
                after = getattr(figures, f"{name}_after", None)
                if centred is None or after is None:
                    continue
                verdicts = [
                    [verdict(met_within(q.value, q.u, most), rule) for q in (centred, after)]
                    for of, most in limits
                    if of == name
                ]
                apart = abs(centred.value - after.value) > EVALUATION.agreement * max(
                    centred.u, after.u
                )
                if apart or any(a != b for a, b in verdicts):
                    text = (
                        f"{name} ({source}) is {centred.value:.2f} g by windows centred at the "
                        f"occupant's impact or later, {after.value:.2f} g by windows that begin "
                        "there or later; the first is judged"
                    )
                    found.append(Diagnostic("ridedown_window", text, f"vehicles.{vehicle}"))
    return found


def _severity_classes(record: Record, vehicles: Mapping[str, VehicleResult]) -> list[Diagnostic]:
    """That the class of ASI hangs on its filter, where the criteria judge ASI."""
    levels = sorted(
        {
            limit.most
            for limit in load_criteria(record.test.criteria, record.folder).limits
            if set(limit.quantity) & {"asi", "asi_13hz"}
        }
    )
    found = []
    for vehicle, result in vehicles.items():
        for source in ("fused", "film", "accelerometer"):
            figures: OccupantResult | None = getattr(result.occupant, source)
            mean, filtered = getattr(figures, "asi", None), getattr(figures, "asi_13hz", None)
            if mean is None or filtered is None:
                continue
            if bisect_left(levels, mean.value) != bisect_left(levels, filtered.value):
                text = (
                    f"ASI ({source}) is {mean.value:.3f} by means over 50 ms (EN 1317-1:1998) and "
                    f"{filtered.value:.3f}, u {filtered.u:.3f}, by the 13 Hz filter (2010): these "
                    "are of different classes"
                )
                found.append(Diagnostic("severity_class", text, f"vehicles.{vehicle}"))
    return found


def _early(record: Record, vehicles: Mapping[str, VehicleResult]) -> list[Diagnostic]:
    """That a film ends before the occupant of a striking vehicle would have struck the interior."""
    text = (
        "the film ends before the occupant would have struck the interior, while the vehicle was "
        "still being slowed down: occupant impact velocity and ridedown from film are left open"
    )
    return [
        Diagnostic("film_ends_early", text, f"vehicles.{name}")
        for name, result in vehicles.items()
        if record.vehicles[name].role == "striking"
        and result.occupant.film is not None
        and result.occupant.film.oiv_x is None
        and result.occupant.film.velocity_change_x is not None
    ]


def _contact_goes_on(vehicles: Mapping[str, VehicleResult]) -> list[Diagnostic]:
    """That a film ends while contact goes on."""
    text = (
        "the film ends while the vehicle is still in contact, or less than "
        f"{OUTCOME.contact_hold * 1e3:.0f} ms after: its extremes, velocity change, mean "
        "accelerations, ridedown, PHD and ASI are the least that they can be"
    )
    return [
        Diagnostic("film_ends_in_contact", text, f"vehicles.{name}")
        for name, result in vehicles.items()
        if result.contact_end is not None and result.contact_end.at_end
    ]


def _no_occupant_contact(vehicles: Mapping[str, VehicleResult]) -> list[Diagnostic]:
    """That an occupant's velocity is the velocity change of a vehicle whose contact is over."""
    text = (
        "the occupant would not have reached the interior on this record: occupant impact velocity "
        "is the vehicle's velocity change during contact"
    )
    found = []
    for name, result in vehicles.items():
        each = (result.occupant.film, result.occupant.accelerometer, result.occupant.fused)
        if any(o is not None and o.oiv_x is not None and o.oiv_time is None for o in each):
            found.append(Diagnostic("no_occupant_contact", text, f"vehicles.{name}"))
    return found


def _alone(vehicles: Mapping[str, VehicleResult], sensed: Collection[str]) -> list[Diagnostic]:
    """That a vehicle has numbers from one kind of instrument only, though there are both."""
    found = []
    for name, result in vehicles.items():
        film, read = result.occupant.film, result.occupant.accelerometer
        alone = film is not None and read is None and result.occupant.fused is None
        if alone and name in sensed:
            text = "no accelerometer of this vehicle can be used: its numbers are from film alone"
            found.append(Diagnostic("accelerometers_unusable", text, f"vehicles.{name}"))
        if film is None and read is not None:
            text = "no film gives this vehicle's occupant risk: it is from accelerometers alone"
            found.append(Diagnostic("accelerometers_alone", text, f"vehicles.{name}"))
    return found


def _unseen_figures(record: Record, seen: Collection[str]) -> list[Diagnostic]:
    return [
        Diagnostic(
            "vehicle_unseen",
            "no film shows a marker of this vehicle: nothing of its motion could be determined",
            f"vehicles.{name}",
        )
        for name in record.vehicles
        if name not in seen
    ]
