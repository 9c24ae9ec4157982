"""What the results say of each camera: its film, clock, calibration, marks and view."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from calibration.arrays import Array
from calibration.time.clock import Clock
from tracker.camera.stage import CalibratedFilm
from tracker.core.types import Quantity, Status
from tracker.motion import CameraEvidence, Solution
from tracker.record.load import Record
from tracker.results.schema import CameraResult, Curve, FrameNumber, MarkCounts, MarkFit, View
from tracker.results.time_zero import TimeZeroResult, ZeroEvidence


def evidence(film: CalibratedFilm) -> CameraEvidence:
    """A camera's evidence for the estimator: vehicle marks, pose, clock, motion of the picture."""
    tracks = film.followed.tracks
    which = [i for i, mark in enumerate(tracks.marks) if not mark.is_fixed]
    clock = film.time
    return CameraEvidence(
        camera=film.pose.camera,
        seconds=clock.seconds,
        zero_u=clock.zero_frame_u / clock.rate if np.isfinite(clock.zero_frame) else np.inf,
        rate_u=clock.rate_u / clock.rate,
        zero_common_u=clock.zero_common_u,
        zero_late=clock.zero_late,
        stabilisation=film.stabilisation,
        marks=tuple(tracks.marks[i] for i in which),
        position=tracks.position[:, which],
        covariance=tracks.covariance[:, which],
        measured_mask=tracks.measured_mask[:, which],
    )


def frame_times(film: CalibratedFilm, solution: Solution) -> Array:
    """Time of each frame on the solution's clock, s."""
    return solution.clocks.get(film.name, Clock()).common_times(film.time.seconds)


def camera_result(
    record: Record, film: CalibratedFilm, times: Array, solution: Solution
) -> CameraResult:
    """The camera and its clock as solved; `times` (frames,) s."""
    tracks, clock = film.followed.tracks, film.time
    camera = solution.cameras.get(film.name, film.pose.camera)
    zero_u = solution.clocks.get(film.name, Clock()).offset_u
    zero = FrameNumber(
        _frame_at_zero(times),
        float(np.hypot(zero_u, solution.contact[1]) * clock.rate),
    )
    u = np.sqrt(np.diag(camera.covariance)[3:6])
    count = {s: int(np.sum(tracks.status == s)) for s in Status}
    return CameraResult(
        frames=film.film.frames,
        frame_rate=Quantity(clock.rate, "1/s", clock.rate_u),
        time_zero_frame=zero if np.isfinite(zero.value) else None,
        reprojection_rms_px=solution.reprojection_rms_px.get(film.name),
        survey_residuals_px=film.pose.residuals,
        focal_px=float(camera.lens.matrix[0, 0]),
        position=(
            Quantity(float(camera.position[0]), "m", float(u[0])),
            Quantity(float(camera.position[1]), "m", float(u[1])),
            Quantity(float(camera.position[2]), "m", float(u[2])),
        ),
        steadiness_rms_px=film.stabilisation.rms_px,
        marks=MarkCounts(
            count[Status.MEASURED] + count[Status.EDITED],
            count[Status.HIDDEN],
            count[Status.LOST],
        ),
        film=record.cameras[film.name].film,
        time_base=clock.source,
        lens=_lens_sentence(record, film),
        mark_fits=_fits(film, solution),
    )


def time_zero_result(solution: Solution) -> TimeZeroResult | None:
    """What time zero rests on."""
    found = solution.time_zero
    if found is None:
        return None
    at = solution.contact[0]
    sources = (
        ZeroEvidence(s.name, Quantity(s.value - at, "s", s.u), s.weight, s.sound)
        for s in found.sources
    )
    return TimeZeroResult(found.u, tuple(sources))


def _frame_at_zero(times: Array) -> float:
    """The frame number, with fraction, at which time is zero; NaN beyond half a frame outside."""
    step = float(times[-1] - times[0]) / max(len(times) - 1, 1)
    if len(times) < 2 or not times[0] - 0.5 * step <= 0 <= times[-1] + 0.5 * step:
        return float("nan")
    if times[0] > 0 or times[-1] < 0:
        return -float(times[0]) / step
    return float(np.interp(0.0, times, np.arange(len(times))))


def _lens_sentence(record: Record, film: CalibratedFilm) -> str:
    pose = film.pose
    if (fit := film.lens_fit) is not None:
        lens, u = fit.lens.values, np.sqrt(np.diag(fit.lens.covariance))
        used = len(fit.residuals) - len(fit.left_out)
        return (
            f"from {used} pictures of a board ({len(fit.corners)} corners, {fit.rms_px:.2f} px "
            f"rms): focal length {lens[0]:.1f} px, u {u[0]:.1f}; principal point "
            f"({lens[2]:.1f}, {lens[3]:.1f}) px, u ({u[2]:.1f}, {u[3]:.1f})"
        )
    if record.cameras[film.name].lens is not None:
        return "given by the record"
    solved = ", ".join(pose.solved) or "nothing of it"
    return (
        f"not given; determined by what the camera saw: {solved} "
        f"(focal length to {100 * pose.focal_u:.2g} %)"
    )


def _fits(film: CalibratedFilm, solution: Solution) -> dict[str, MarkFit]:
    if film.name not in solution.residuals:
        return {}
    residuals = solution.residuals[film.name]
    marks = evidence(film).marks
    lost = [r.mark for r in solution.rejected if r.camera == film.name and r.frame is not None]
    fits: dict[str, MarkFit] = {}
    for m, mark in enumerate(marks):
        square = np.sum(residuals[:, m] ** 2, axis=1)
        known = np.isfinite(square)
        if known.any():
            fits[mark] = MarkFit(
                float(np.sqrt(square[known].mean())), int(known.sum()), lost.count(mark)
            )
    return fits


def view(record: Record, film: CalibratedFilm, solution: Solution) -> View:
    """What it takes to draw on the camera's film."""
    entry = record.cameras[film.name]
    centre, fit = film.stabilisation.centre, film.lens_fit
    return View(
        film=record.place(entry.film),
        camera=solution.cameras.get(film.name, film.pose.camera),
        frame_rate=entry.frame_rate,
        bits=entry.bits,
        steadiness=film.stabilisation.motion,
        centre=(float(centre[0]), float(centre[1])),
        lens_fit=None if fit is None else np.hstack([fit.corners, fit.errors]),
    )


def shaking(films: Mapping[str, CalibratedFilm], times: Mapping[str, Array]) -> list[Curve]:
    """The picture's own motion of each camera whose picture moves."""
    return [
        Curve(
            name, f"steadiness_{axis}", "film", "px", times[name], film.stabilisation.motion[:, i]
        )
        for name, film in films.items()
        if film.stabilisation.rms_px > 0
        for i, axis in enumerate("uv")
    ]
