"""Measure known marks in one picture."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks.batch_fit import FitResult, fit_marks
from tracker.marks.fit_checks import (
    FAULTS,
    PART,
    FitLimits,
    fault_numbers,
    fits_to_repeat,
    widen_covariance,
)
from tracker.marks.fit_inputs import FitNoise
from tracker.marks.occluded_fit import fit_occluded
from tracker.marks.options import MARKS
from tracker.marks.packing import GREYS, PLACE, MarkRows, pack_shapes, unpack_shape
from tracker.marks.parameters import CONTRAST, LIGHT_SD, PATCH
from tracker.marks.priors import loose_prior
from tracker.marks.types import Fixes, Picture, Shape

ROUNDING = 0.29
"""Standard deviation of rounding to whole greys: 1/sqrt(12)."""
_LIMITS = (
    (MARKS.half_visible, MARKS.half_ratio),
    (MARKS.less_visible, MARKS.less_ratio),
    (MARKS.least_visible, MARKS.least_ratio),
)
"""Visible part, and weighted residual over noise up to which that much is believed."""


@dataclass(frozen=True)
class Appearances:
    """How n marks looked when they were last measured clean; see `Shape`."""

    rows: MarkRows
    noise: Array  # (n,)
    gradient_u: Array  # (n,)


@dataclass(frozen=True)
class MeasuredMarks:
    """n marks measured in one picture; see `Fix`."""

    position: Array  # (n, 2)
    covariance: Array  # (n, 2, 2)
    ratio: Array  # (n,)
    contrast: Array  # (n,)
    visible: Array  # (n,)
    fault: NDArray[np.int64]  # (n,) number in `FAULTS`; 0 if ok
    p: Array  # (n, PARAMETERS) for the next picture; as they were where not ok
    gradient_u: Array  # (n,)


def appearances_of(shapes: Sequence[Shape]) -> Appearances:
    """The shapes as `measure_appearances` takes them."""
    rows = pack_shapes(shapes, np.zeros((len(shapes), 2)), None)
    light = np.array([s.gradient_u for s in shapes])
    return Appearances(rows, np.array([s.noise for s in shapes]), light)


def measure_marks(
    picture: Picture,
    shapes: Sequence[Shape],
    predicted: Array,
    motion: Array | None = None,
    *,
    noise: float | None = None,
    search_px: float = MARKS.search,
) -> Fixes:
    """Positions of marks of known shape near their predicted places.

    Parameters
    ----------
    picture : the picture.
    shapes : what each mark looked like when last measured clean.
    predicted : (n, 2) px, right to a pixel or two.
    motion : (n, 2) px that each mark moves during the exposure; None for none.
    noise : standard deviation of a pixel's grey; None takes each shape's own.
    search_px : how far from its prediction a mark is still believed.

    A clean mark has its whole shape fitted again, so that turning, tilting, changing blur and light
    are tracked (`Fix.shape` is the start for the next picture). Where the fit is not clean, the
    shape is kept and what doesn't belong to the mark is weighted out.
    """
    known = appearances_of(shapes)
    if noise is not None:
        known = replace(known, noise=np.full(len(shapes), float(noise)))
    predicted = np.asarray(predicted, float).reshape(len(shapes), 2)
    done = measure_appearances(picture, known, predicted, motion, search_px=search_px)
    ok = done.fault == 0
    return Fixes(
        done.position,
        done.covariance,
        done.ratio,
        done.contrast,
        done.visible,
        ok,
        tuple(FAULTS[i] for i in done.fault),
        tuple(
            unpack_shape(s, done.p[i], s.noise, float(done.gradient_u[i])) if ok[i] else s
            for i, s in enumerate(shapes)
        ),
    )


def measure_appearances(
    picture: Picture,
    known: Appearances,
    predicted: Array,
    motion: Array | None,
    *,
    search_px: float = MARKS.search,
    helper: Executor | None = None,
) -> MeasuredMarks:
    """As `measure_marks`, with all marks in arrays: for picture after picture. A `helper`, a thread
    that is free, does half of the work.
    """
    rows = known.rows.moving(predicted, motion)
    sigma, light = np.maximum(known.noise, ROUNDING), known.gradient_u
    clean = _fit_clean(picture, Appearances(rows, sigma, light), search_px, helper)
    limits = FitLimits(MARKS.clean_ratio, MARKS.whole_visible, search_px)
    plain = MARKS.clean_rest / MARKS.clean_ratio * np.abs(rows.p[:, CONTRAST])
    fault = _fault_numbers(rows.p, clean, np.maximum(sigma, plain), limits)
    widen_covariance(clean.out, sigma, MARKS.misfit, 1.0)
    best, p = clean, clean.rows.p
    dirty = np.flatnonzero(fault)
    if len(dirty):
        part = rows.take(dirty, rows.p[dirty])
        seen = np.flatnonzero(fault == 0)
        gains = clean.rows.p[seen, CONTRAST] / rows.p[seen, CONTRAST]
        partial = fit_occluded(picture, part, sigma[dirty], light[dirty], gains)
        fault[dirty] = _partial_fault_numbers(part.p, partial, sigma[dirty], search_px)
        widen_covariance(partial.out, sigma[dirty], MARKS.misfit_occluded, MARKS.usual_occluded)
        p = p.copy()
        p[dirty] = rows.p[dirty]
        p[dirty, GREYS] = partial.rows.p[:, GREYS]
        best = clean.replace_at(dirty, partial)
        p = np.where((fault == 0)[:, None], p, rows.p)
    return MeasuredMarks(
        best.rows.p[:, PLACE].copy(),
        best.covariance,
        best.residual / sigma,
        best.rows.p[:, CONTRAST].copy(),
        best.visible,
        fault,
        p,
        np.where(fault == 0, best.out[:, LIGHT_SD], light),
    )


def _fit_clean(
    picture: Picture, start: Appearances, search_px: float, helper: Executor | None
) -> FitResult:
    """Whole shape free. Fitted again where the window was off, and where the lighting jumped."""
    rows, sigma, light = start.rows, start.noise, start.gradient_u
    noise = FitNoise(picture.white, sigma, np.zeros(len(sigma)))
    prior = loose_prior(rows, gradient_u=light)
    done = fit_marks(picture, rows, prior, noise, MARKS.measure_passes, helper)
    again, unlit = fits_to_repeat(rows.p, done.rows.p, done.out, prior.precision, light, search_px)
    if len(again) == 0:
        return done
    prior = loose_prior(rows, gradient_u=unlit).take(again)
    part = done.rows.take(again, done.rows.p[again])
    more = fit_marks(picture, part, prior, noise.take(again), MARKS.measure_passes)
    return done.replace_at(again, more)


def _partial_fault_numbers(
    before: Array, done: FitResult, sigma: Array, search_px: float
) -> NDArray[np.int64]:
    """What speaks against each fit of a part of a mark; so little may be visible that it would have
    to fit better.
    """
    limits = FitLimits(MARKS.patch_ratio, MARKS.patch_visible, search_px)
    fault = _fault_numbers(before, done, sigma, limits)
    ratio, limit = done.residual / sigma, np.zeros(len(sigma))
    for visible, most in reversed(_LIMITS):
        limit[done.visible >= visible] = most
    little = (ratio > limit) & (done.rows.kinds != PATCH)
    fault[(fault == 0) & little] = FAULTS.index(PART)
    return fault


def _fault_numbers(
    before: Array, done: FitResult, sigma: Array, limits: FitLimits
) -> NDArray[np.int64]:
    """What speaks against each fit: its number in `FAULTS`."""
    found = fault_numbers(before, done.rows.p, done.out, done.window, sigma, limits)
    return np.asarray(found)
