"""From where the iteration ended to the solution: residuals, what was left out, what to say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.arrays import Array
from calibration.errors import MotionError
from calibration.findings import Diagnostic
from tracker.core.rigid_body import STEEP
from tracker.motion.model import prior
from tracker.motion.model.unknowns import Eye, Setup
from tracker.motion.posterior import Solution
from tracker.motion.robust import outliers
from tracker.motion.robust.outliers import Rejected
from tracker.motion.solver import linearization
from tracker.motion.solver.dense_step import Evidence, System, covariance
from tracker.motion.solver.iterate import Fit

HOPELESS, HOPELESS_PX = 10.0, 3.0
"""Marks that scatter by more than so many times their uncertainty, and so many px (rms), are not
those of a rigid body. Common practice, no source.
"""
UNSETTLED = 25.0
"""Squared last step, in posterior sds, of an iteration that found no solution."""
SHAKEN = 0.005
"""Common shift of a frame's marks, px, from which it is worth a word."""
SCATTERED = 4.0
"""A mark is named whose variance is so many times that of its camera's marks (median)."""


def finished(
    setup: Setup,
    fit: Fit,
    system: System,
    contact: tuple[float, float],
    findings: tuple[Diagnostic, ...],
) -> Solution:
    """The solution and everything worth saying about it.

    Raises Problem where it isn't one: the iteration has not come to rest, or a camera's marks don't
    fit the motion that all cameras together see.
    """
    sd = prior.spread(setup, fit.strengths)
    residuals, rms, by_mark = {}, {}, {}
    for k, e in enumerate(setup.eyes):
        seen, on = fit.at.looks[k], fit.keep[k]
        pixels = np.linalg.solve(e.whiten, seen.residual[..., None])[..., 0]
        residuals[e.name] = _whole(e, np.where(seen.usable[..., None], pixels, np.nan))
        kept = pixels[on]
        rms[e.name] = float(np.sqrt(np.mean(np.sum(kept**2, axis=1)))) if len(kept) else np.nan
        by_mark[e.name] = {
            mark: float(fit.noise[k].total[m]) for m, mark in enumerate(e.marks) if on[:, m].any()
        }
    _refuse(setup, fit, system.decrement, rms)
    rejected = outliers.rejections(setup, fit.at.looks, fit.keep)
    solution = Solution(
        setup=setup,
        fit=fit,
        system=system,
        sd=sd,
        unit_covariance=covariance(system),
        contact=contact,
        findings=(),
        rejected=rejected,
        chi_square={e.name: _chi_square(fit, k) for k, e in enumerate(setup.eyes)},
        mark_chi_square=by_mark,
        residuals=residuals,
        reprojection_rms_px=rms,
    )
    said = [*findings, *_noise(setup, fit), *_left_out(setup, rejected), *_steep(solution)]
    return replace(solution, findings=tuple(said))


def _refuse(setup: Setup, fit: Fit, decrement: float, rms: dict[str, float]) -> None:
    worst, off = None, HOPELESS
    for k, e in enumerate(setup.eyes):
        scatter = float(np.sqrt(_chi_square(fit, k)))
        if rms[e.name] > HOPELESS_PX and scatter > off:
            worst, off = e, scatter
    if worst is not None:
        alone = len(setup.eyes) == 1
        others = "the survey" if alone else "the survey or what the other cameras saw"
        raise MotionError(
            f"the marks of this camera miss any motion of rigid vehicles by"
            f" {rms[worst.name]:.0f} px rms, {off:.0f} times their uncertainty:"
            f" they contradict {others}",
            where=f"cameras.{worst.name}",
            remedy="check which mark is which, the markers' survey, the camera's pose and clock",
        )
    if decrement > UNSETTLED:
        raise MotionError(
            "the motion did not come to rest: its last step was"
            f" {np.sqrt(decrement):.1f} standard uncertainties",
            where="vehicles",
            remedy="check the picks, the markers' survey and the cameras' poses",
        )


def _chi_square(fit: Fit, eye: int) -> float:
    """Variance of an eye's marks over what they say, by the number of positions of each, the slow
    error aside that none is free of.
    """
    count, own = fit.keep[eye].sum(axis=0), fit.noise[eye]
    return float(np.sum(count * (own.total - own.least)) / max(int(count.sum()), 1))


def nothing_seen() -> Solution:
    """The solution of no vehicle at all."""
    none = np.zeros((0, 0))
    fit = Fit(
        at=linearization.Point(np.zeros(0), [], [], 0.0),
        strengths=(),
        weights=[],
        noise=(),
        keep=[],
        held=np.zeros(0, dtype=bool),
    )
    empty = np.zeros(0)
    system = System(empty, 0.0, Evidence(none, empty, none), none)
    return Solution(
        Setup((), ()), fit, system, np.zeros(0), none, (0.0, 0.0), (), (), {}, {}, {}, {}
    )


def _whole(e: Eye, values: Array) -> Array:
    """Values (frames, marks, 2) of an eye put back among all frames and marks of its film."""
    out = np.full((e.film_frames, len(e.film_marks), 2), np.nan)
    columns = np.array([e.film_marks.index(m) for m in e.marks])
    out[np.ix_(e.frames, columns)] = values
    return out


def _noise(setup: Setup, fit: Fit) -> list[Diagnostic]:
    out = []
    for k, e in enumerate(setup.eyes):
        chi, own = _chi_square(fit, k), fit.noise[k]
        if chi > 2:
            text = (
                f"marks scatter {np.sqrt(chi):.1f} times their own uncertainty; "
                "the uncertainties were raised accordingly"
            )
            out.append(Diagnostic("noise_larger", text, f"cameras.{e.name}"))
        usual = float(np.median(own.total)) if len(own.total) else 1.0
        loud = [m for m, v in zip(e.marks, own.total, strict=True) if v > SCATTERED * usual]
        if loud and len(loud) < len(e.marks) / 2:
            size = np.sqrt(max(own.total) / usual)
            text = (
                f"{', '.join(loud)} scatter up to {size:.1f} times as much as the other marks; "
                "they count for less"
            )
            out.append(Diagnostic("mark_scatters", text, f"cameras.{e.name}"))
        if e.shake >= SHAKEN:
            text = (
                f"marks of a frame shift together by {e.shake:.2f} px more than steadying explains"
            )
            out.append(Diagnostic("picture_shake", text, f"cameras.{e.name}"))
        slow = float(np.mean((own.drift - own.least) / own.total)) if len(own.factor) else 0.0
        if own.lag > 0.3 or slow > 0.1:
            text = (
                f"errors of marks are correlated from frame to frame ({own.lag:.2f}) and "
                f"{100 * slow:.0f} % of their variance changes slowly; both count in the "
                "uncertainties"
            )
            out.append(Diagnostic("noise_correlated", text, f"cameras.{e.name}"))
    return out


def _left_out(setup: Setup, rejected: tuple[Rejected, ...]) -> list[Diagnostic]:
    out = []
    for r in rejected:
        if r.frame is None:
            text = f"{r.mark} does not move with its vehicle as surveyed and was left out"
            out.append(Diagnostic("mark_left_out", text, f"cameras.{r.camera}"))
    for e in setup.eyes:
        single = [r for r in rejected if r.camera == e.name and r.frame is not None]
        if single:
            marks = sorted({r.mark for r in single})
            places = "1 position" if len(single) == 1 else f"{len(single)} positions"
            text = f"{places} of {', '.join(marks)} rejected: outliers"
            out.append(Diagnostic("marks_rejected", text, f"cameras.{e.name}"))
    return out


def _steep(solution: Solution) -> list[Diagnostic]:
    out = []
    for b, name in enumerate(solution.vehicles):
        sites = solution.setup.bodies[b].basis.sites
        motion = solution.motion(name, sites)
        pitch = np.abs(motion.state[:, 4])[motion.observed[:, 4]]
        if len(pitch) and pitch.max() > STEEP:
            text = "pitch came near 90 degrees, where yaw and roll can't be told apart"
            out.append(Diagnostic("attitude_steep", text, f"vehicles.{name}"))
    return out
