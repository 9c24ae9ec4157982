"""The solution from the last iterate: residuals, rejected marks, warnings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.arrays import Array
from calibration.errors import MotionError
from calibration.findings import Diagnostic
from tracker.core.rigid_body import STEEP
from tracker.motion.model.unknowns import CameraData, Setup
from tracker.motion.options import SOLVER
from tracker.motion.posterior import Solution
from tracker.motion.robust import outliers
from tracker.motion.robust.options import DIAGNOSTICS
from tracker.motion.robust.outliers import Rejected
from tracker.motion.solver.dense_step import DenseStep, ReducedEquations, covariance
from tracker.motion.solver.iterate import Iterate
from tracker.motion.unseen import unseen_diagnostics


def solution_of(
    iterate: Iterate,
    step: DenseStep,
    contact: tuple[float, float],
    findings: tuple[Diagnostic, ...],
) -> Solution:
    """The solution and its warnings.

    Parameters
    ----------
    step : the dense step at the iterate.
    contact : time of contact on the solution's clock and its u, s.
    findings : warnings so far.

    Raises MotionError where the iteration has not converged, or where a camera's marks contradict
    the motion that all cameras together see.
    """
    setup = iterate.setup
    residuals, rms, by_mark = {}, {}, {}
    for k, cam in enumerate(setup.cameras):
        lin, on = iterate.linearizations[k], iterate.inlier_masks[k]
        pixels = np.linalg.solve(cam.whitening, lin.residual[..., None])[..., 0]
        residuals[cam.name] = _whole_film(cam, np.where(lin.usable_mask[..., None], pixels, np.nan))
        inliers = pixels[on]
        rms[cam.name] = (
            float(np.sqrt(np.mean(np.sum(inliers**2, axis=1)))) if len(inliers) else np.nan
        )
        by_mark[cam.name] = {
            mark: float(iterate.noise[k].total[m])
            for m, mark in enumerate(cam.marks)
            if on[:, m].any()
        }
    _refuse(iterate, step.decrement, rms)
    rejected = outliers.rejections(iterate)
    solution = Solution(
        iterate=iterate,
        step=step,
        unit_covariance=covariance(step),
        contact=contact,
        findings=(),
        rejected=rejected,
        chi_square={cam.name: _chi_square(iterate, k) for k, cam in enumerate(setup.cameras)},
        mark_chi_square=by_mark,
        residuals=residuals,
        reprojection_rms_px=rms,
    )
    warnings = [
        *findings,
        *_noise_warnings(iterate),
        *_rejection_warnings(setup, rejected),
        *_attitude_warnings(solution),
        *unseen_diagnostics(solution),
    ]
    return replace(solution, findings=tuple(warnings))


def _refuse(iterate: Iterate, decrement: float, rms: dict[str, float]) -> None:
    setup = iterate.setup
    worst, off = None, DIAGNOSTICS.refused_sds
    for k, cam in enumerate(setup.cameras):
        scatter = float(np.sqrt(_chi_square(iterate, k)))
        if rms[cam.name] > DIAGNOSTICS.refused_px and scatter > off:
            worst, off = cam, scatter
    if worst is not None:
        alone = len(setup.cameras) == 1
        others = "the survey" if alone else "the survey or what the other cameras saw"
        raise MotionError(
            f"the marks of this camera miss any motion of rigid vehicles by"
            f" {rms[worst.name]:.0f} px rms, {off:.0f} times their uncertainty:"
            f" they contradict {others}",
            where=f"cameras.{worst.name}",
            remedy="check which mark is which, the markers' survey, the camera's pose and clock",
        )
    if decrement > SOLVER.unsettled:
        raise MotionError(
            "the motion did not come to rest: its last step was"
            f" {np.sqrt(decrement):.1f} standard uncertainties",
            where="vehicles",
            remedy="check the picks, the markers' survey and the cameras' poses",
        )


def _chi_square(iterate: Iterate, camera_index: int) -> float:
    """Variance of a camera's marks over their own, by the number of positions of each, less the
    correlated error that none is free of.
    """
    count, own = iterate.inlier_masks[camera_index].sum(axis=0), iterate.noise[camera_index]
    return float(np.sum(count * (own.total - own.correlated_floor)) / max(int(count.sum()), 1))


def empty_solution() -> Solution:
    """The solution of no vehicle at all."""
    none = np.zeros((0, 0))
    iterate = Iterate(
        setup=Setup((), ()),
        values=np.zeros(0),
        jerk_densities=(),
        weights=(),
        noise=(),
        inlier_masks=(),
        fixed_mask=np.zeros(0, dtype=bool),
    )
    empty = np.zeros(0)
    step = DenseStep(empty, 0.0, ReducedEquations(none, empty, none), none)
    return Solution(iterate, step, none, (0.0, 0.0), (), (), {}, {}, {}, {})


def _whole_film(cam: CameraData, values: Array) -> Array:
    """Values (frames, marks, 2) of a camera put back among all frames and marks of its film."""
    out = np.full((cam.film_frames, len(cam.film_marks), 2), np.nan)
    columns = np.array([cam.film_marks.index(m) for m in cam.marks])
    out[np.ix_(cam.frames, columns)] = values
    return out


def _noise_warnings(iterate: Iterate) -> list[Diagnostic]:
    out = []
    for k, cam in enumerate(iterate.setup.cameras):
        chi, own = _chi_square(iterate, k), iterate.noise[k]
        if chi > DIAGNOSTICS.noise_factor:
            text = (
                f"marks scatter {np.sqrt(chi):.1f} times their own uncertainty; "
                "the uncertainties were raised accordingly"
            )
            out.append(Diagnostic("noise_larger", text, f"cameras.{cam.name}"))
        usual = float(np.median(own.total)) if len(own.total) else 1.0
        loud = [
            m
            for m, v in zip(cam.marks, own.total, strict=True)
            if v > DIAGNOSTICS.scattered * usual
        ]
        if loud and len(loud) < len(cam.marks) / 2:
            size = np.sqrt(max(own.total) / usual)
            text = (
                f"{', '.join(loud)} scatter up to {size:.1f} times as much as the other marks; "
                "they count for less"
            )
            out.append(Diagnostic("mark_scatters", text, f"cameras.{cam.name}"))
        if cam.jitter_sd >= DIAGNOSTICS.jitter_px:
            text = (
                f"marks of a frame shift together by {cam.jitter_sd:.2f} px more than "
                "stabilisation explains"
            )
            out.append(Diagnostic("picture_shake", text, f"cameras.{cam.name}"))
        correlated = (
            float(np.mean((own.correlated_variance - own.correlated_floor) / own.total))
            if len(own.frame_variance)
            else 0.0
        )
        if own.lag_one > DIAGNOSTICS.lag_one or correlated > DIAGNOSTICS.correlated_share:
            text = (
                f"errors of marks are correlated from frame to frame ({own.lag_one:.2f}) and "
                f"{100 * correlated:.0f} % of their variance changes slowly; both count in the "
                "uncertainties"
            )
            out.append(Diagnostic("noise_correlated", text, f"cameras.{cam.name}"))
    return out


def _rejection_warnings(setup: Setup, rejected: tuple[Rejected, ...]) -> list[Diagnostic]:
    out = []
    for r in rejected:
        if r.frame is None:
            text = f"{r.mark} does not move with its vehicle as surveyed and was left out"
            out.append(Diagnostic("mark_left_out", text, f"cameras.{r.camera}"))
    for cam in setup.cameras:
        whole = {r.mark for r in rejected if r.camera == cam.name and r.frame is None}
        out += _outnumbered(setup, cam, whole)
        single = [r for r in rejected if r.camera == cam.name and r.frame is not None]
        if single:
            marks = sorted({r.mark for r in single})
            places = "1 position" if len(single) == 1 else f"{len(single)} positions"
            text = f"{places} of {', '.join(marks)} rejected: outliers"
            out.append(Diagnostic("marks_rejected", text, f"cameras.{cam.name}"))
    return out


def _outnumbered(setup: Setup, cam: CameraData, left_out: set[str]) -> list[Diagnostic]:
    """That no fewer marks of a vehicle were left out in a camera than were kept."""
    out = []
    for b, body in enumerate(setup.bodies):
        marks = [m for m, of in zip(cam.marks, cam.body, strict=True) if of == b]
        lost = sum(m in left_out for m in marks)
        if lost >= DIAGNOSTICS.outnumbered and 2 * lost >= len(marks):
            text = (
                f"{lost} of {len(marks)} marks of {body.name} contradict its motion and were left "
                "out: which are right is not known, so do not rely on its figures; check "
                "picks, survey and the camera's pose, or take the film in two parts"
            )
            out.append(Diagnostic("marks_outnumbered", text, f"cameras.{cam.name}"))
    return out


def _attitude_warnings(solution: Solution) -> list[Diagnostic]:
    out = []
    for b, name in enumerate(solution.vehicles):
        breakpoints = solution.setup.bodies[b].basis.breakpoints
        motion = solution.motion(name, breakpoints)
        pitch = np.abs(motion.state[:, 4])[motion.observed_mask[:, 4]]
        if len(pitch) and pitch.max() > STEEP:
            text = "pitch came near 90 degrees, where yaw and roll can't be separated"
            out.append(Diagnostic("attitude_steep", text, f"vehicles.{name}"))
    return out
