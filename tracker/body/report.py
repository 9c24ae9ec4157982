"""From where the iteration ended to the solution: residuals, what was left out, what to say."""

from __future__ import annotations

import numpy as np

from calibration.camera import Array
from tracker.body import newton, prior, trust
from tracker.body.attitude import STEEP
from tracker.body.fit import Fit
from tracker.body.posterior import Solution
from tracker.body.setup import Eye, Setup
from tracker.body.trust import Rejected
from tracker.values import Warning_


def finished(
    setup: Setup, fit: Fit, contact: tuple[float, float], findings: tuple[Warning_, ...]
) -> Solution:
    """The solution and everything worth saying about it."""
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
    rejected = trust.rejections(setup, fit.at.looks, fit.keep)
    solution = Solution(
        setup=setup,
        fit=fit,
        sd=sd,
        unit_covariance=newton.covariance(fit.system),
        contact=contact,
        findings=(),
        rejected=rejected,
        chi_square={e.name: _chi_square(fit, k) for k, e in enumerate(setup.eyes)},
        mark_chi_square=by_mark,
        residuals=residuals,
        reprojection_rms_px=rms,
    )
    said = [*findings, *_noise(setup, fit), *_left_out(setup, rejected), *_steep(solution)]
    return Solution(**{**solution.__dict__, "findings": tuple(said)})


def _chi_square(fit: Fit, eye: int) -> float:
    """Variance of an eye's marks over what they say, by the number of positions of each."""
    count = fit.keep[eye].sum(axis=0)
    return float(np.sum(count * fit.noise[eye].total) / max(int(count.sum()), 1))


def nothing_seen() -> Solution:
    """The solution of no vehicle at all."""
    none = np.zeros((0, 0))
    fit = Fit(
        at=newton.Point(np.zeros(0), [], [], 0.0),
        system=newton.System(none, none, [], none, none, np.zeros(0), 0.0),
        strengths=(),
        weights=[],
        noise=(),
        keep=[],
        held=np.zeros(0, dtype=bool),
    )
    return Solution(Setup((), ()), fit, np.zeros(0), none, (0.0, 0.0), (), (), {}, {}, {}, {})


def _whole(e: Eye, values: Array) -> Array:
    """Values (frames, marks, 2) of an eye put back among all frames and marks of its film."""
    out = np.full((e.film_frames, len(e.film_marks), 2), np.nan)
    columns = np.array([e.film_marks.index(m) for m in e.marks])
    out[np.ix_(e.frames, columns)] = values
    return out


def _noise(setup: Setup, fit: Fit) -> list[Warning_]:
    out = []
    for k, e in enumerate(setup.eyes):
        chi, own = _chi_square(fit, k), fit.noise[k]
        if chi > 2:
            text = (
                f"marks scatter {np.sqrt(chi):.1f} times their own uncertainty; "
                "the uncertainties were raised accordingly"
            )
            out.append(Warning_("noise_larger", text, f"cameras.{e.name}"))
        if e.shake:
            text = (
                f"marks of a frame shift together by {e.shake:.2f} px more than steadying explains"
            )
            out.append(Warning_("picture_shake", text, f"cameras.{e.name}"))
        slow = float(np.mean(own.drift / own.total)) if len(own.factor) else 0.0
        if own.lag > 0.3 or slow > 0.1:
            text = (
                f"errors of marks are correlated from frame to frame ({own.lag:.2f}) and "
                f"{100 * slow:.0f} % of their variance changes slowly; both count in the "
                "uncertainties"
            )
            out.append(Warning_("noise_correlated", text, f"cameras.{e.name}"))
    return out


def _left_out(setup: Setup, rejected: tuple[Rejected, ...]) -> list[Warning_]:
    out = []
    for r in rejected:
        if r.frame is None:
            text = f"{r.mark} does not move with its vehicle as surveyed and was left out"
            out.append(Warning_("mark_left_out", text, f"cameras.{r.camera}"))
    for e in setup.eyes:
        single = [r for r in rejected if r.camera == e.name and r.frame is not None]
        if single:
            marks = sorted({r.mark for r in single})
            text = f"{len(single)} positions of {', '.join(marks)} were rejected as outliers"
            out.append(Warning_("marks_rejected", text, f"cameras.{e.name}"))
    return out


def _steep(solution: Solution) -> list[Warning_]:
    out = []
    for b, name in enumerate(solution.vehicles):
        sites = solution.setup.bodies[b].basis.sites
        motion = solution.motion(name, sites)
        pitch = np.abs(motion.state[:, 4])[motion.observed[:, 4]]
        if len(pitch) and pitch.max() > STEEP:
            text = "pitch came near 90 degrees, where yaw and roll can't be told apart"
            out.append(Warning_("attitude_steep", text, f"vehicles.{name}"))
    return out
