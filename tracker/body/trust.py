"""Which marks to believe, and how much: robust weights, rejection, and the size of the noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.body.fit import Fit
from tracker.body.normal import Look, common_motion, misfit
from tracker.body.setup import Eye, Setup

TAIL = 5.0
"""Degrees of freedom of the Student t that marks are weighted by while wrong ones are unknown."""
FAR = 5.0
"""A mark farther than this many sd from where the solution sees it is rejected."""
COMMON = 0.2
"""A common shift counts if it adds more than this share to the variance of a frame's mean."""
MEDIAN = 2 * np.log(2.0)
"""Median of chi-square with two degrees of freedom."""


@dataclass(frozen=True)
class Rejected:
    """A mark that was left out. `frame` None: in every frame, its place in the survey is wrong or
    it is another mark.
    """

    camera: str
    mark: str
    frame: int | None


def squares(seen: Look, weight: Array) -> Array:
    """Squared distance (frames, marks) of each mark from its prediction, in its own sds, the
    frame's common motion taken out; NaN where there is no mark.
    """
    r = common_motion(seen, weight)
    return np.where(seen.usable, np.sum(r * r, axis=2), np.nan)


def spread_of(square: Array) -> float:
    """Variance factor of the better half of the marks: robust against up to half wrong ones."""
    return float(np.nanmedian(square) / MEDIAN) if np.isfinite(square).any() else 1.0


def student(square: Array, factor: float) -> Array:
    """Weights (frames, marks) of a Student t with two-dimensional residuals (Lange, Little &
    Taylor 1989); 0 where there is no mark.
    """
    weight = (TAIL + 2) / (TAIL + square / factor)
    return np.where(np.isfinite(square), weight, 0.0)


def kept(square: Array, factor: float) -> NDArray[np.bool_]:
    """Marks (frames, marks) to keep: within `FAR`, and of a marker that mostly is."""
    fine = np.isfinite(square) & (np.nan_to_num(square) <= FAR**2 * factor)
    there = np.isfinite(square).sum(axis=0)
    persistent = fine.sum(axis=0) < 0.5 * there
    return np.asarray(fine & ~persistent)


def rejections(
    setup: Setup, looks: list[Look], keep: list[NDArray[np.bool_]]
) -> tuple[Rejected, ...]:
    """The marks left out, those out in every frame named once."""
    out = []
    for seen, on in zip(looks, keep, strict=True):
        e = setup.eyes[seen.eye]
        for m, mark in enumerate(e.marks):
            bad = seen.usable[:, m] & ~on[:, m]
            if bad.any() and not on[:, m].any():
                out.append(Rejected(e.name, mark, None))
            else:
                out += [Rejected(e.name, mark, int(e.frames[f])) for f in np.flatnonzero(bad)]
    return tuple(out)


def scatter(setup: Setup, fit: Fit, covariance: Array) -> tuple[Array, Array]:
    """Chi-square per degree of freedom, by the marks' own sds, and correlation of residuals from
    frame to frame (eyes,).

    Parameters
    ----------
    covariance : (unknowns, unknowns) posterior in prior sds; it tells how many degrees of freedom
        the fit took from each camera's marks.
    """
    chi, lag = np.ones(len(setup.eyes)), np.zeros(len(setup.eyes))
    for k, (seen, weight, on) in enumerate(zip(fit.at.looks, fit.weights, fit.keep, strict=True)):
        spent = float(np.sum(covariance * fit.system.shares[k]))
        residual = common_motion(seen, weight)
        count = 2 * int(on.sum())
        chi[k] = misfit(seen, on.astype(float)) / max(count - spent, 0.05 * count, 1.0)
        lag[k] = correlation(residual, on)
    return chi, lag


def factor(chi: Array, drag: Array, keep: list[NDArray[np.bool_]]) -> Array:
    """What each camera's mark variances are multiplied by (eyes,): below 1 only where there are
    enough marks to say so.
    """
    least = [0.25 if on.sum() > 200 else 1.0 for on in keep]
    return np.asarray(np.maximum(chi, least) * drag)


def drag(lag: Array, keep: list[NDArray[np.bool_]]) -> Array:
    """What correlation from frame to frame makes of the variance of slow errors (eyes,), as for a
    first-order autoregression; 1 where it isn't significant.
    """
    significant = [
        c > max(0.05, 2 / np.sqrt(2 * max(on.sum(), 1))) for c, on in zip(lag, keep, strict=True)
    ]
    c = np.minimum(lag, 0.95)
    return np.where(significant, (1 + c) / (1 - c), 1.0)


def shake(e: Eye, seen: Look, on: NDArray[np.bool_]) -> float:
    """Sd (px) of a shift common to a frame's marks, beyond what steadying left uncertain: from the
    products of residuals of different marks in a frame, which independent errors average to zero.
    0 where it matters little beside the marks' own errors, or where there are too few to tell.
    """
    pixels = np.linalg.solve(e.whiten, seen.residual[..., None])[..., 0] * on[..., None]
    marks = on.sum(axis=1)
    pairs = float(np.sum(marks * (marks - 1)))
    if pairs < 60:
        return 0.0
    product = _pairs(np.asarray(pixels[..., None], dtype=np.float64))
    if e.steadied is not None:
        product -= _pairs(e.steadied * on[..., None, None])
    common = product / (2 * pairs)
    alone = float(np.sum(pixels**2)) / (2 * on.sum()) - common
    worth = common * pairs / marks.sum() > COMMON * max(alone, 1e-12) and common > 1e-8
    return float(np.sqrt(common)) if worth else 0.0


def _pairs(values: Array) -> float:
    """Sum over frames and ordered pairs of different marks of products of values (f, m, 2, k)."""
    whole = values.sum(axis=1)
    return float(np.sum(whole * whole) - np.sum(values * values))


def correlation(residual: Array, on: NDArray[np.bool_]) -> float:
    """Lag-one correlation of marks' residuals (frames, marks, 2) from frame to frame, pooled over
    marks; 0 where there are too few, or none but rounding.
    """
    both = on[1:] & on[:-1]
    a, b = residual[1:][both], residual[:-1][both]
    if both.sum() < 20 or np.mean(a * a) < 1e-6:
        return 0.0
    return float(np.sum(a * b) / np.sqrt(np.sum(a * a) * np.sum(b * b)))
