"""Marks among what doesn't belong to them: highlights, dirt, lamps, neighbours.

From where a pattern is likely, fits with Tukey's weights whose scale shrinks (`occluded_fit`); all
of the shape stays free. What is left out must not be much, and the rest must fit as a mark does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from tracker.marks.batch_fit import fit_marks
from tracker.marks.candidates import Candidate
from tracker.marks.fit_inputs import FitNoise
from tracker.marks.occluded_fit import tukey_mean_square, tukey_mean_weight
from tracker.marks.options import MARKS
from tracker.marks.packing import PLACE, pack_shapes, unpack_shape
from tracker.marks.parameters import PASSES, RESIDUAL_VARIANCE, WEIGHT_SUM
from tracker.marks.patterns import PATTERN_MODELS
from tracker.marks.priors import loose_prior
from tracker.marks.types import Outline, Picture, Shape

_LARGEST_HALF, _FAR = 400.0, 1e6
"""px: half width of the largest window whose variance is taken; a place that is none."""
_FULL = 1e-9
"""Least variance that a share is taken of, grey²."""


@dataclass(frozen=True)
class Search:
    """The picture round a pick, and what is known of it."""

    picture: Picture
    noise: float  # standard deviation of a pixel's grey
    rough: float  # the same with what of it clumps
    motion: Array | None  # (2,) px during the exposure

    def moves(self, n: int) -> Array | None:
        """(n, 2) the motion of n marks."""
        return None if self.motion is None else np.tile(self.motion, (n, 1))

    def variance(self, shape: Shape, place: Array) -> float:
        """Grey variance over the box round a mark."""
        w, h = np.abs(shape.affine).sum(axis=1).clip(2.0, _LARGEST_HALF) + 2.0
        x, y = np.clip(place, -_FAR, _FAR)
        part = self.picture.luma[
            max(int(y - h), 0) : max(int(y + h) + 1, 0), max(int(x - w), 0) : max(int(x + w) + 1, 0)
        ]
        return max(float(part.var()) if part.size else 0.0, _FULL)


@dataclass(frozen=True)
class Trial:
    """A fit of a mark at a pick."""

    position: Array
    covariance: Array
    shape: Shape
    residual: float
    explained: float
    visible: float


def trial_in_clutter(
    search: Search, found: Sequence[Candidate], near: Array, limit: float, size: float
) -> Trial | None:
    """The best fit to a part of what is seen, from candidates; None where none is good.

    near : (2,) px of the pick. limit : px, how far from it. size : px.
    """
    started = [(c, replace(c.shape, outline=o)) for c in found for o in _outlines(c.shape)]
    shapes, places = [shape for _, shape in started], [c.position for c, _ in started]
    outlines = [c.shape.outline for c, _ in started]
    if not shapes:
        return None
    rows = pack_shapes(shapes, np.array(places), search.moves(len(shapes)))
    contrast = np.abs([s.contrast for s in shapes])
    sigma = np.maximum(search.rough, MARKS.clutter_noise * contrast)
    prior = loose_prior(rows)
    for share in (MARKS.occluded_first, MARKS.clutter_first, MARKS.clutter_last):
        scale = np.maximum(share * contrast / sigma, MARKS.tukey)
        noise = FitNoise(search.picture.white, sigma, scale)
        done = fit_marks(search.picture, rows, prior, noise, MARKS.full_passes)
        rows = done.rows
    best, least = None, np.inf
    for i, shape in enumerate(shapes):
        o, p = done.out[i], done.rows.p[i]
        if o[PASSES] <= 0 or not (np.isfinite(o).all() and np.isfinite(p).all()):
            continue
        own = unpack_shape(shape, p, 0.0)
        residual = float(np.sqrt(o[RESIDUAL_VARIANCE] / tukey_mean_square(float(scale[i]))))
        visible = float(done.visible[i]) / tukey_mean_weight(float(scale[i]))
        trial = Trial(p[PLACE].copy(), done.covariance[i], own, residual, 1.0, min(visible, 1.0))
        off = float(np.hypot(*(trial.position - near)))
        rest = residual / abs(own.contrast)
        if visible <= MARKS.cluttered_visible or rest >= MARKS.cluttered_rest:
            continue
        score = rest / visible * (1.0 if shape.outline == outlines[i] else MARKS.other_clutter)
        if off <= limit and is_sane(trial, size) and score < least:
            best, least = trial, score
    return best


def _outlines(shape: Shape) -> tuple[Outline, ...]:
    """Outer edges to try: without one, clutter passes for the mark."""
    own = dict.fromkeys((shape.outline, *PATTERN_MODELS[shape.pattern].outlines))
    return tuple(o for o in own if o != "none") or (shape.outline,)


def without_clutter(search: Search, best: Trial) -> Trial:
    """The same mark with what doesn't belong to it weighted out: highlights, dirt, neighbours."""
    picture, contrast = search.picture, abs(best.shape.contrast)
    rows = pack_shapes([best.shape], best.position[None], search.moves(1))
    sigma = np.array([max(search.rough, MARKS.clutter_noise * contrast)])
    for share in (MARKS.clutter_first, MARKS.clutter_last):
        scale = np.maximum(share * contrast / sigma, MARKS.tukey)
        noise = FitNoise(picture.white, sigma, scale)
        done = fit_marks(picture, rows, loose_prior(rows, True), noise, MARKS.full_passes)
        rows = done.rows
    o, p = done.out[0], done.rows.p[0]
    enough = o[WEIGHT_SUM] >= MARKS.clutter_visible * done.window[0]
    if o[PASSES] <= 0 or not np.isfinite(o).all() or not enough:
        return best
    shape = unpack_shape(best.shape, p, 0.0)
    square = float(o[RESIDUAL_VARIANCE]) / tukey_mean_square(float(scale[0]))
    explained = 1.0 - square / search.variance(shape, p[PLACE])
    residual, visible = float(np.sqrt(square)), float(done.visible[0])
    return Trial(p[PLACE].copy(), done.covariance[0], shape, residual, explained, visible)


def is_sane(t: Trial, size: float) -> bool:
    """Whether a trial has the size it should (px, NaN if unknown) and a shape that marks have."""
    return bool(
        t.shape.blur < MARKS.blur_share * t.shape.size + 1.0
        and (
            not np.isfinite(size)
            or MARKS.sane_size_low * size < t.shape.size < MARKS.sane_size_high * size
        )
        and np.linalg.cond(t.shape.affine) < MARKS.obliquity
    )
