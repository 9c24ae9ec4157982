"""The uncertainty to expect: the estimator itself, on marks as the planned cameras would see them.

The marks stand where the planned motion puts them, with errors drawn as the estimator will find
them in films (it sizes them by what it sees, so there must be some): of the covariance that is
predicted for their size, contrast and blur, correlated from frame to frame, and a part that drifts.
The cameras carry the covariance that resection of the planned survey gives. Thinned frames carry
the information of those they stand for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera
from calibration.errors import CalibrationError
from calibration.resection.pose import sightings
from calibration.resection.resect import Resection, resect
from calibration.time.clock import Clock
from calibration.time.options import TIME
from calibration.time.timebase import WHOLE_FRAME_U
from tracker.core.types import Progress
from tracker.motion import CameraEvidence, VehicleGeometry, solve
from tracker.motion.options import NOISE
from tracker.pipeline.film_evidence import survey_errors
from tracker.pipeline.options import EVALUATION
from tracker.pipeline.vehicle_result import (
    contacts,
    crush_result,
    crush_values,
    film_occupant,
    flail_distances,
    sample_motion,
    vehicle_result,
)
from tracker.planning.layout import Stand
from tracker.planning.motion import PlannedMotion
from tracker.planning.noise import AssumedPicture
from tracker.planning.options import PLAN
from tracker.planning.view import PlannedMarkView, fixed_target_views, mark_views
from tracker.record.schema import PlannedRecord
from tracker.results.schema import CrushResult, Occupant, VehicleResult


@dataclass(frozen=True)
class Outlook:
    """What to expect of a layout."""

    vehicles: Mapping[str, VehicleResult]
    crush: CrushResult | None
    poses: Mapping[str, Resection]
    marks: Mapping[
        str, tuple[PlannedMarkView, ...]
    ]  # of each camera, the vehicles' marks at `times`
    fixed: Mapping[str, tuple[PlannedMarkView, ...]]


def predict(
    record: PlannedRecord,
    planned: Mapping[str, Stand],
    motion: PlannedMotion,
    span: tuple[float, float],
    picture: AssumedPicture,
    progress: Progress | None = None,
) -> Outlook:
    """The headline numbers that films over `span` (first, last time, s) would give, with their u.

    Raises Problem where the planned survey can't give a camera's pose, or no camera sees a vehicle.
    """
    fixed = {name: fixed_target_views(stand, picture) for name, stand in planned.items()}
    poses = {name: pose(record, planned[name], fixed[name], span, picture) for name in planned}
    marks, evidence = {}, {}
    for name, stand in planned.items():
        every = max(1.0, PLAN.finest * stand.frame_rate)
        times = np.arange(span[0], span[1], every / stand.frame_rate)
        marks[name] = mark_views(stand, motion, times, picture)
        evidence[name] = _evidence(record, stand, poses[name], marks[name], times, every, picture)
    if not any(np.isfinite(e.zero_u) for e in evidence.values()):
        first = next(iter(evidence))
        evidence[first] = replace(evidence[first], zero_u=PLAN.contact_u)
    geometry = {
        name: VehicleGeometry(
            table.cg,
            {marker: m.at for marker, m in table.markers.items()},
            record.survey.marker_u,
            table.role,
            own_u={marker: m.u for marker, m in table.markers.items() if m.u is not None},
            survey_errors=survey_errors(record, table, surveyed=True),
        )
        for name, table in record.vehicles.items()
    }
    solution = solve(evidence, geometry, contact=0.0, progress=progress)
    draws = solution.draws(EVALUATION.draws, EVALUATION.seed)
    fastest = max(planned.values(), key=lambda stand: stand.frame_rate)
    clock = solution.clocks.get(fastest.name, Clock())
    times = clock.common_times(evidence[fastest.name].seconds)
    moves = {v: sample_motion(solution, draws, v, times) for v in solution.vehicles}
    crush = crush_result(record.vehicles, moves)
    ends = contacts(record.vehicles, moves, crush)
    vehicles = {}
    for name, move in moves.items():
        table = record.vehicles[name]
        distances = flail_distances(table, record.test.criteria, record.folder)
        occupant = Occupant(film=film_occupant(solution, draws, name, distances, ends[name]))
        vehicles[name] = vehicle_result(table, move, occupant, ends[name])
    return Outlook(vehicles, crush_values(crush), poses, marks, fixed)


def pose(
    record: PlannedRecord,
    stand: Stand,
    fixed: tuple[PlannedMarkView, ...],
    span: tuple[float, float],
    picture: AssumedPicture,
) -> Resection:
    """The camera's place as its planned survey will give it. Fixed targets are measured in every
    frame; what is not noise in them doesn't average out.
    """
    inside = [t for t in fixed if t.visible_mask[0]]
    frames = (span[1] - span[0]) * stand.frame_rate
    covariance = [_mean_place(t, frames, picture) for t in inside]
    where = f"cameras.{stand.name}.survey"
    try:
        return resect(
            sightings(
                [t.target.name.marker for t in inside],
                np.array([t.target.at for t in inside]).reshape(-1, 3),
                np.array([t.pixels[0] for t in inside]).reshape(-1, 2),
                np.array(covariance).reshape(-1, 2, 2),
                ground_u=record.survey.ground_u,
            ),
            size=stand.size,
            lens=stand.camera.lens,
            rough_position=stand.camera.position,
            where=where,
        )
    except CalibrationError as problem:
        unseen = [t.target.name for t in fixed if not t.visible_mask[0]]
        if not unseen:
            raise
        raise CalibrationError(
            f"{problem.what}; not in the picture or too small: {', '.join(unseen)}",
            where=where,
            remedy=problem.remedy,
            status=problem.status,
        ) from None


def _mean_place(fixed: PlannedMarkView, frames: float, picture: AssumedPicture) -> Array:
    """Covariance (2, 2) px^2 of a fixed target's mean place over a number of frames."""
    size = float(fixed.size_px[0])
    floor, drift = picture.floor_of(size) ** 2, picture.drift_of(size) ** 2
    noise = fixed.covariance[0] - floor * np.eye(2)
    return np.asarray(noise / frames + (floor + drift) * np.eye(2))


def _evidence(
    record: PlannedRecord,
    stand: Stand,
    placed: Resection,
    marks: tuple[PlannedMarkView, ...],
    times: Array,
    every: float,
    picture: AssumedPicture,
) -> CameraEvidence:
    camera = Camera(
        stand.camera.lens, stand.camera.rotation, stand.camera.position, placed.camera.covariance
    )
    visible = np.stack([m.visible_mask for m in marks], axis=1)
    position = np.stack([m.pixels for m in marks], axis=1)
    left = picture.correlation**every
    covariance = np.stack([m.covariance for m in marks], axis=1)
    covariance = (
        covariance * _variance_inflation(picture.correlation) / _variance_inflation(left) / every
    )
    drift = np.array([picture.drift_of(float(np.nanmedian(m.size_px))) for m in marks])
    return CameraEvidence(
        camera=camera,
        seconds=times,
        zero_u=_zero_u(record, stand, picture),
        rate_u=TIME.rate_u,
        stabilisation=None,
        marks=tuple(m.target.name for m in marks),
        position=position + _errors(covariance, left, drift, stand.name),
        covariance=np.where(visible[..., None, None], covariance, np.nan),
        measured_mask=visible,
    )


def _variance_inflation(correlation: float) -> float:
    """What a correlation from frame to frame makes of the variance of a mean."""
    return (1 + correlation) / (1 - correlation)


def _errors(covariance: Array, correlation: float, drift: Array, camera: str) -> Array:
    """Errors (n, k, 2) px of covariances (n, k, 2, 2), correlated from frame to frame, and of the
    marks' drifts of sd (k,), NaN where the covariances are; always the same draws for a camera, so
    that layouts can be compared.
    """
    rng = np.random.default_rng([EVALUATION.seed, *camera.encode()])
    known = np.where(np.isfinite(covariance), covariance, np.eye(2))
    quick = _autoregression(rng.standard_normal(covariance.shape[:3]), correlation)
    memory = float(np.exp(-1 / NOISE.error_memory))
    slow = _autoregression(rng.standard_normal(covariance.shape[:3]), memory)
    samples = (np.linalg.cholesky(known) @ quick[..., None])[..., 0] + drift[:, None] * slow
    return np.where(np.isfinite(covariance).all(axis=3), samples, np.nan)


def _autoregression(white: Array, correlation: float) -> Array:
    """A first-order autoregression of unit variance along the first axis, driven by `white`."""
    out = white.copy()
    for k in range(1, len(out)):
        out[k] = correlation * out[k - 1] + np.sqrt(1 - correlation**2) * white[k]
    return out


def _zero_u(record: PlannedRecord, stand: Stand, picture: AssumedPicture) -> float:
    """How well the camera's own time zero will be known, s; a flash is taken to come on during an
    exposure.
    """
    zero = record.cameras[stand.name].time.zero
    if zero == "contact":
        return float("inf")
    if zero == "flash":
        return picture.flicker / picture.contrast * (stand.exposure or 1 / stand.frame_rate)
    u = WHOLE_FRAME_U if float(zero).is_integer() else TIME.part_frame_u
    return u / stand.frame_rate
