"""Measure known marks in one picture."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks import priors
from tracker.marks.batch_fit import Fitted, fit
from tracker.marks.fit_checks import FAULTS, PART, judge, off_start, widen
from tracker.marks.image_model import PATCH
from tracker.marks.occluded_fit import fit_covered
from tracker.marks.packing import Rows, pack, unpack
from tracker.marks.types import Fixes, Shape

ROUNDING = 0.29
"""Standard deviation of rounding to whole greys: 1/sqrt(12)."""
CLEAN = 1.3
"""Residual over noise up to which the whole shape may be believed."""
WHOLE = 0.82
"""Visible part from which the whole shape may be fitted: less of it is burnt out or outside."""
DIRTY = ((0.5, 1.45), (0.45, 1.15), (0.33, 1.08))
"""Visible part, and weighted residual over noise up to which that much may be believed."""
TEXTURE = (0.3, 2.0)
"""The same for a patch: a scanned texture changes from picture to picture."""
MISFIT, MISFIT_COVERED = 0.03, 0.06
"""Share of the energy of what doesn't fit that goes into the place. Found on rendered marks behind
smoke, debris and glare."""


@dataclass(frozen=True)
class Looks:
    """How n marks looked when they were last measured clean; see `Shape`."""

    rows: Rows
    noise: Array  # (n,)
    gradient_u: Array  # (n,)


@dataclass(frozen=True)
class Measured:
    """n marks measured in one picture; see `Fix`."""

    position: Array  # (n, 2)
    covariance: Array  # (n, 2, 2)
    ratio: Array  # (n,)
    contrast: Array  # (n,)
    visible: Array  # (n,)
    fault: NDArray[np.int64]  # (n,) number in `FAULTS`; 0 if ok
    p: Array  # (n, PARAMETERS) looks for the next picture; as they were where not ok
    gradient_u: Array  # (n,)


def looks_of(shapes: Sequence[Shape]) -> Looks:
    """The shapes as `remeasure` takes them."""
    rows = pack(shapes, np.zeros((len(shapes), 2)), None)
    light = np.array([s.gradient_u for s in shapes])
    return Looks(rows, np.array([s.noise for s in shapes]), light)


def measure(
    luma: NDArray[Any],
    shapes: Sequence[Shape],
    predicted: Array,
    motion: Array | None = None,
    *,
    white: float,
    noise: float | None = None,
    search_px: float = 3.0,
) -> Fixes:
    """Positions of marks of known looks near their predicted places.

    Parameters
    ----------
    luma : (rows, columns) uint8 or uint16, read only; any strides.
    shapes : what each mark looked like when last measured clean.
    predicted : (n, 2) px, right to a pixel or two.
    motion : (n, 2) px that each mark moves during the exposure; None for none.
    white : grey at which the picture clips.
    noise : standard deviation of a pixel's grey; None takes each shape's own.
    search_px : how far from its prediction a mark is still believed.

    A clean mark has its whole shape fitted again, so that turning, tilting, changing blur and light
    are followed (`Fix.shape` is the start for the next picture). Where the fit is not clean, the
    shape is held and what doesn't belong to the mark is weighted out.
    """
    looks = looks_of(shapes)
    if noise is not None:
        looks = replace(looks, noise=np.full(len(shapes), float(noise)))
    predicted = np.asarray(predicted, float).reshape(len(shapes), 2)
    done = remeasure(luma, looks, predicted, motion, white=white, search_px=search_px)
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
            unpack(s, done.p[i], s.noise, float(done.gradient_u[i])) if ok[i] else s
            for i, s in enumerate(shapes)
        ),
    )


def remeasure(
    luma: NDArray[Any],
    looks: Looks,
    predicted: Array,
    motion: Array | None,
    *,
    white: float,
    search_px: float = 3.0,
    helper: Executor | None = None,
) -> Measured:
    """As `measure`, with the looks of all marks in arrays: for picture after picture. A `helper`,
    a thread that is free, does half of the work.
    """
    n = len(predicted)
    rows = looks.rows.moving(predicted, motion)
    sigma, light = np.maximum(looks.noise, ROUNDING), looks.gradient_u
    clean = _clean(luma, rows, light, sigma, white, search_px, helper)
    fault = _faults(rows.p, clean, sigma, CLEAN, WHOLE, search_px)
    widen(clean.out, sigma, MISFIT, 1.0)
    best, known = clean, clean.rows.p
    dirty = np.flatnonzero(fault)
    if len(dirty):
        part = rows.take(dirty, rows.p[dirty])
        seen = np.flatnonzero(fault == 0)
        gains = clean.rows.p[seen, 8] / rows.p[seen, 8]
        held = fit_covered(luma, part, sigma[dirty], light[dirty], gains, white)
        fault[dirty] = _faults(part.p, held, sigma[dirty], TEXTURE[1], TEXTURE[0], search_px)
        fault[dirty[(fault[dirty] == 0) & _too_little(held, sigma[dirty])]] = FAULTS.index(PART)
        widen(held.out, sigma[dirty], MISFIT_COVERED, 0.8)
        known = known.copy()
        known[dirty] = rows.p[dirty]
        known[dirty, 7:9] = held.rows.p[:, 7:9]
        best = clean.replaced(dirty, held)
        known = np.where((fault == 0)[:, None], known, rows.p)
    out = best.out
    return Measured(
        best.rows.p[:, :2].copy(),
        out[:, [0, 1, 1, 2]].reshape(n, 2, 2),
        best.residual / sigma,
        best.rows.p[:, 8].copy(),
        best.visible,
        fault,
        known,
        np.where(fault == 0, out[:, 8], light),
    )


def _clean(
    luma: NDArray[Any],
    rows: Rows,
    light: Array,
    sigma: Array,
    white: float,
    search_px: float,
    helper: Executor | None,
) -> Fitted:
    """Whole shape free. Fitted again where the window was off, and where the lighting jumped."""
    n = len(sigma)
    plain = np.zeros(n)
    precision = priors.loose(rows, gradient_u=light)
    done = fit(luma, rows, precision, sigma, plain, white, 12, helper=helper)
    again, unlit = off_start(rows.p, done.rows.p, done.out, precision, light, search_px)
    if len(again) == 0:
        return done
    precision = priors.loose(rows, gradient_u=unlit)[again]
    part = done.rows.take(again, done.rows.p[again])
    more = fit(luma, part, precision, sigma[again], plain[again], white, 12, rows.p[again])
    return done.replaced(again, more)


def _too_little(done: Fitted, sigma: Array) -> NDArray[np.bool_]:
    """Whether so little is visible that it would have to fit better."""
    ratio, limit = done.residual / sigma, np.zeros(len(sigma))
    for visible, most in reversed(DIRTY):
        limit[done.visible >= visible] = most
    return np.asarray((ratio > limit) & (done.rows.kinds != PATCH))


def _faults(
    before: Array,
    done: Fitted,
    sigma: Array,
    ratio_limit: float,
    visible_limit: float,
    search_px: float,
) -> NDArray[np.int64]:
    """What speaks against each fit: its number in `FAULTS`."""
    return judge(
        before, done.rows.p, done.out, done.inside + done.outside, sigma,
        ratio_limit, visible_limit, search_px,
    )  # fmt: skip
