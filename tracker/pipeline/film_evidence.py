"""Every camera's film calibrated, and what the motions are solved from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from calibration.errors import RECORD, Problem
from calibration.findings import Diagnostic
from tracker.camera.stage import CalibratedFilm
from tracker.core.types import Progress
from tracker.motion import SurveyErrors, VehicleGeometry
from tracker.pipeline.options import EVALUATION
from tracker.record.load import Record
from tracker.record.schema import Common, Vehicle
from tracker.storage.audit_log import Log

CalibrationStep = Callable[[Record, str, Progress], CalibratedFilm]
"""How a camera's film is tracked and calibrated: the record, the camera's name, where progress is
reported.
"""


@dataclass(frozen=True)
class CalibratedFilms:
    """The films of a test by camera, and why those that are missing could not be used."""

    by_camera: Mapping[str, CalibratedFilm]
    warnings: tuple[Diagnostic, ...] = ()


def calibrate_films(
    record: Record, calibrate: CalibrationStep, report_progress: Progress, instrumented: bool
) -> CalibratedFilms:
    """Every camera's film; warnings instead if none can be used and there are accelerometers."""
    films: dict[str, CalibratedFilm] = {}
    failures: list[Problem] = []
    for name in record.cameras:
        try:
            films[name] = calibrate(record, name, report_progress)
        except Problem as problem:
            if not instrumented or films or problem.status == RECORD:
                raise
            failures.append(problem)
    if failures and films:
        raise failures[0]
    alone = "this film can't be used; the accelerometers are judged alone"
    warnings = (
        Diagnostic("film_unusable", f"{alone}: {p.what}", p.where or "cameras") for p in failures
    )
    return CalibratedFilms(films, tuple(warnings))


def vehicle_geometry(
    record: Record, name: str, films: Mapping[str, CalibratedFilm]
) -> VehicleGeometry:
    """A vehicle as its motion is solved for."""
    table = record.vehicles[name]
    surveyed = any(
        target.at is not None
        for camera in films
        for target in record.cameras[camera].survey.values()
    )
    offset = record.test.intended.offset or 0.0
    near, near_u = np.full(3, np.nan), np.full(3, np.nan)
    if not surveyed:  # one plane of motion: where it lies along the line of sight is assumed
        axis = _line_of_sight(films)
        near[axis] = table.cg[axis] + (offset if axis == 1 else 0.0)
        near_u[axis] = EVALUATION.standing_u
    return VehicleGeometry(
        cg=table.cg,
        markers={marker: m.at for marker, m in table.markers.items()},
        marker_u=record.survey.marker_u,
        role=table.role,
        near=(near[0], near[1], near[2]),
        near_u=(near_u[0], near_u[1], near_u[2]),
        own_u={marker: m.u for marker, m in table.markers.items() if m.u is not None},
        flexible=frozenset(marker for marker, m in table.markers.items() if not m.rigid),
        survey_errors=survey_errors(record, table, surveyed=surveyed),
    )


def survey_errors(record: Common, table: Vehicle, *, surveyed: bool) -> SurveyErrors:
    """What the survey of the ground, where there is one, and of a vehicle may err by throughout."""
    return SurveyErrors(
        scale_u=record.survey.scale_u if surveyed else 0.0,
        datum_u=record.survey.datum_u if surveyed else 0.0,
        axes_u=table.axes_u if any(m.at is not None for m in table.markers.values()) else 0.0,
        cg_u=table.cg_uncertainty,
    )


def _line_of_sight(films: Mapping[str, CalibratedFilm]) -> int:
    """The ground axis (1 or 2) nearest to the first camera's line of sight."""
    axis = next(iter(films.values())).pose.camera.rotation[2]
    return 2 if abs(axis[2]) > abs(axis[1]) else 1


def contact_time(films: Mapping[str, CalibratedFilm]) -> float | None:
    """Time zero on the cameras' clocks where one of them has it, else None: from the motion."""
    return 0.0 if any(np.isfinite(film.time.zero_frame) for film in films.values()) else None


def note_calibrations(log: Log, films: Mapping[str, CalibratedFilm]) -> None:
    """Note what was left out of each camera's pose, and where its time comes from."""
    for name, film in films.items():
        where = f"cameras.{name}"
        for point in film.pose.left_out:
            log.note("decision", f"{point} left out of the pose", where)
        log.note("decision", f"time from {film.time.source}", where)
