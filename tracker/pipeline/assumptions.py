"""Every value that enters a test's numbers and was not measured in it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal

from calibration.board.options import OPTICS
from calibration.time.options import TIME
from tracker.outcome.accelerometer_risk import Assumptions
from tracker.outcome.occupant_risk import RIDEDOWN_WINDOW
from tracker.outcome.severity_index import ASI_WINDOW
from tracker.pipeline.options import EVALUATION
from tracker.record.schema import MASS_U, Record, Vehicle
from tracker.results.paperwork import Assumption

Origin = Literal["default", "record"]


def assumptions(
    record: Record, distances: Mapping[str, tuple[float, float]]
) -> tuple[Assumption, ...]:
    """What was taken as given; `distances` are the flail distances in use by vehicle, m."""
    return (
        *_survey(record),
        *_lenses(record),
        *_clocks(record),
        *_vehicles(record, distances),
        *_pair(record),
        *_windows(record),
        *_accelerometers(record),
        *_evaluation(),
    )


def _survey(record: Record) -> Iterator[Assumption]:
    stated = record.survey.model_fields_set
    for key, what, value in (
        ("ground_u", "standard uncertainty of each coordinate, fixed targets", "ground_u"),
        ("marker_u", "standard uncertainty of each coordinate, vehicle markers", "marker_u"),
    ):
        yield Assumption(
            what, f"survey.{key}", getattr(record.survey, value), "m", _origin(key in stated)
        )


def _lenses(record: Record) -> Iterator[Assumption]:
    for name, camera in record.cameras.items():
        lens, where = camera.lens, f"cameras.{name}.lens"
        if lens is None:
            yield Assumption(
                f"lens, {name}",
                where,
                None,
                "",
                "default",
                "solved with the pose; principal point near the picture's middle, square pixels",
            )
        elif lens.camera_matrix is not None:
            u = lens.u
            focal = OPTICS.given_focal_u if u is None or u.focal is None else u.focal
            centre = OPTICS.given_centre_u if u is None or u.centre is None else u.centre
            yield Assumption(
                f"focal length, relative standard uncertainty, {name}",
                f"{where}.u.focal",
                focal,
                "1",
                _origin(u is not None and u.focal is not None),
            )
            yield Assumption(
                f"principal point, standard uncertainty, {name}",
                f"{where}.u.centre",
                centre,
                "px",
                _origin(u is not None and u.centre is not None),
            )


def _clocks(record: Record) -> Iterator[Assumption]:
    for name, camera in record.cameras.items():
        if camera.time.timing_light is None:
            yield Assumption(
                f"frame rate, relative standard uncertainty, {name}",
                f"cameras.{name}.time.timing_light",
                TIME.rate_u,
                "1",
                "default",
            )
        if camera.exposure is None:
            yield Assumption(
                f"exposure, {name}",
                f"cameras.{name}.exposure",
                None,
                "",
                "default",
                "not stated: time of a frame and blur as if it were short",
            )


def _vehicles(record: Record, distances: Mapping[str, tuple[float, float]]) -> Iterator[Assumption]:
    for name, vehicle in record.vehicles.items():
        if name in distances and vehicle.role == "striking":
            stated = vehicle.flail is not None
            for word, value in zip(("longitudinal", "lateral"), distances[name], strict=True):
                what = f"flail distance, {word}, {name}"
                yield Assumption(what, f"vehicles.{name}.flail", value, "m", _origin(stated))
        yield from _mass(name, vehicle)
        if "cg" not in vehicle.model_fields_set:
            text = "not stated: the origin of the vehicle's axes is taken for it"
            yield Assumption(f"cg, {name}", f"vehicles.{name}.cg", None, "", "default", text)


def _mass(name: str, vehicle: Vehicle) -> Iterator[Assumption]:
    if vehicle.mass is not None:
        stated = vehicle.mass_u is not None
        u = vehicle.mass_u if vehicle.mass_u is not None else MASS_U * vehicle.mass
        what = f"mass, standard uncertainty, {name}"
        yield Assumption(what, f"vehicles.{name}.mass_u", u, "kg", _origin(stated))


def _pair(record: Record) -> Iterator[Assumption]:
    if record.cushion is not None:
        yield Assumption("cushion's length", "cushion.length", record.cushion.length, "m", "record")
        stated = "front_crush" in record.cushion.model_fields_set
        yield Assumption(
            "closing taken by the striking vehicle's front",
            "cushion.front_crush",
            record.cushion.front_crush,
            "m",
            _origin(stated),
        )


def _windows(record: Record) -> Iterator[Assumption]:
    for what, value in (
        ("ridedown acceleration: moving mean over", RIDEDOWN_WINDOW),
        ("ASI and largest mean accelerations: moving mean over", ASI_WINDOW),
    ):
        yield Assumption(what, "", value, "s", "default")


def _accelerometers(record: Record) -> Iterator[Assumption]:
    if not record.accelerometers:
        return
    given = Assumptions()
    text = "CFC 180 for occupant risk (SAE J211-1)"
    yield Assumption("accelerometer data, filter", "", None, "", "default", text)
    for what, value, unit in (
        ("sensitivity of a channel, relative standard uncertainty", given.scale, "1"),
        ("response to each other axis, standard uncertainty", given.transverse, "1"),
        (
            "pitch and roll at 150 ms where no film shows them, standard uncertainty",
            given.pitch,
            "rad",
        ),
        ("vibration at the sensor, standard uncertainty of velocity", given.vibration, "m/s"),
    ):
        yield Assumption(what, "", value, unit, "default")


def _evaluation() -> Iterator[Assumption]:
    text = (
        "none is applied to motions from film: their smoothness is estimated with them, and its "
        "uncertainty is in theirs"
    )
    yield Assumption("filter of motions from film", "", None, "", "default", text)
    what = "draws from which uncertainties of derived numbers are taken"
    yield Assumption(what, "", float(EVALUATION.draws), "count", "default")


def _origin(stated: bool) -> Origin:
    return "record" if stated else "default"
