"""What the results say of a camera's calibration: film, lens, targets, and their check."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from calibration.arrays import Array
from calibration.camera import LENS, Camera
from calibration.resection.withheld import TargetResiduals
from tracker.camera.stage import CalibratedFilm
from tracker.motion import Solution
from tracker.record.load import Record
from tracker.results.calibrations import CalibrationResult, LensResult, TargetResult

BOARD = "pictures of a calibration board with this test"


def calibration_result(
    record: Record, sight: CalibratedFilm, solution: Solution, place: Array | None
) -> CalibrationResult:
    """The calibration of a camera; `place` (3,) m is where its scale is stated, ground axes."""
    entry = record.cameras[sight.name]
    camera = solution.cameras.get(sight.name, sight.pose.camera)
    width, height = sight.film.size
    focal = np.diag(camera.lens.matrix)[:2]
    stated = "ground_u" in record.survey.model_fields_set
    return CalibrationResult(
        size=(width, height),
        bits=sight.film.bits,
        exposure=entry.exposure,
        view_angles=(
            float(2 * np.arctan(width / 2 / focal[0])),
            float(2 * np.arctan(height / 2 / focal[1])),
        ),
        scale=_scale(camera, place),
        lens=_lens(record, sight, camera),
        ground_u_source="record" if stated else "default",
        instrument=record.survey.instrument or "",
        targets={} if sight.pose.targets is None else _targets(sight.pose.targets, camera),
    )


def _scale(camera: Camera, place: Array | None) -> float | None:
    """Metres a pixel at a place, square to the line of sight."""
    if place is None or not np.isfinite(place).all():
        return None
    return float(_metres_a_pixel(camera, np.atleast_2d(place))[0])


def _metres_a_pixel(camera: Camera, places: Array) -> Array:
    depth = np.abs(camera.in_camera_axes(places)[:, 2])
    return np.asarray(depth / np.sqrt(camera.lens.matrix[0, 0] * camera.lens.matrix[1, 1]))


def _lens(record: Record, sight: CalibratedFilm, camera: Camera) -> LensResult:
    entry, lens = record.cameras[sight.name].lens, camera.lens
    u = np.sqrt(np.clip(np.diag(camera.covariance)[LENS], 0.0, None))
    if entry is None:
        source = "solved with the pose from the surveyed targets"
    elif entry.file is not None:
        source = f"file {entry.file}"
    elif sight.lens_fit is not None:
        source = BOARD
    else:
        source = "numbers in the record"
    if entry is not None:
        source += ", corrected within its uncertainty by what the camera saw"
    dated = entry is not None and entry.date is not None
    return LensResult(
        source=source,
        date=entry.date.isoformat() if dated and entry is not None and entry.date else "",
        focal_px=(float(lens.matrix[0, 0]), float(lens.matrix[1, 1])),
        centre_px=(float(lens.matrix[0, 2]), float(lens.matrix[1, 2])),
        distortion=tuple(float(each) for each in lens.distortion),
        u=tuple(float(each) for each in u),
    )


def _targets(found: TargetResiduals, camera: Camera) -> Mapping[str, TargetResult]:
    seen, metres = found.seen, _metres_a_pixel(camera, found.seen.points)
    results = {}
    for i, name in enumerate(seen.names):
        checked = bool(np.isfinite(found.withheld[i]).all())
        residual = found.residual[i]
        results[name] = TargetResult(
            at=_triple(seen.points[i]),
            at_u=_triple(seen.ground_u[i]),
            residual_px=_pair(residual),
            residual_m=_pair(residual * metres[i]),
            expected_px=_pair(found.expected[i]),
            withheld_px=_pair(found.withheld[i]) if checked else None,
            withheld_expected_px=_pair(found.withheld_expected[i]) if checked else None,
            used=found.used[i],
        )
    return results


def _pair(values: Array) -> tuple[float, float]:
    return float(values[0]), float(values[1])


def _triple(values: Array) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])
