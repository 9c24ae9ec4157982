"""Find a mark from a rough pick."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import Pattern
from tracker.marks import priors
from tracker.marks.batch_fit import Fitted, fit
from tracker.marks.candidates import Candidate, candidates
from tracker.marks.measure import CLEAN, ROUNDING
from tracker.marks.occluded_fit import TUKEY, mean_square
from tracker.marks.packing import pack, unpack
from tracker.marks.texture_patch import patch
from tracker.marks.types import Fix, Outline, Shape

SIZES = 8.0 * 1.35 ** np.arange(11)
"""Sizes (px) tried where nothing is known: 8 to 160."""
MANY = 6
"""Candidates fitted in full for each size."""
DETERMINED = 0.2
"""px²: variance of place, both coordinates summed, beyond which texture may pass for a mark."""
EXPLAINED = 0.8
"""Part of the window's variance that a mark must explain."""
EDGELESS = 0.6
"""Residual over that with an outer edge below which a mark is taken to have none."""
PLAIN = 0.95
"""Part from which a mark of the size it was said to have is not sought at other sizes too."""


@dataclass(frozen=True)
class _Trial:
    position: Array
    covariance: Array
    shape: Shape
    residual: float
    explained: float
    visible: float


def locate(
    luma: NDArray[Any],
    pattern: Pattern,
    near: Array,
    size_px: float = float("nan"),
    search_px: float = float("nan"),
    *,
    white: float,
    motion: Array | None = None,
) -> Fix:
    """The mark nearest to a rough pick, and what it looks like.

    Parameters
    ----------
    luma : (rows, columns) uint8 or uint16.
    near : (2,) px, some pixels off, up to half a mark.
    size_px : outer diameter or side along the seen mark's longer axis, right within a third;
        NaN if unknown.
    search_px : how far from `near` the centre may be; NaN for half the size, at least 4 px.
    white : grey at which the picture clips.
    motion : (2,) px that the mark moves during the exposure; None for none.

    A patch is not searched: the pick names its place. For the others orientation, tilt up to 70
    degrees and polarity are found. Not found: `ok` is False and `why` says what spoke against it.
    """
    near = np.asarray(near, float)
    if pattern == "patch":
        noise = local_noise(luma, near, size_px if np.isfinite(size_px) else 40.0)
        return patch(luma, near, size_px, noise, white)
    known = np.isfinite(size_px)
    limit = search_px if np.isfinite(search_px) else max(0.5 * (size_px if known else 160.0), 4.0)
    noise = local_noise(luma, near, size_px if known else 40.0)
    trials: list[_Trial] = []
    best = None
    for sizes in _sizes(size_px):
        found = [
            candidate
            for size in sizes
            for candidate in candidates(luma, pattern, size, _box(near, size, search_px), MANY)
        ]
        trials += _fit_all(luma, found, noise, white, motion)
        best = _choose(trials, near, limit + 1.0, size_px)
        if best is not None and best.explained > PLAIN:
            break
    if best is None:
        blank = Shape(pattern, np.eye(2) * (0.5 * size_px if known else 1.0), 1.0, 0.0, 0.0)
        why = "nothing there looks like it" if not trials else "no fit settles near the pick"
        return Fix(near, np.full((2, 2), np.inf), blank, np.inf, 0.0, 0.0, False, why)
    best = _outlined(luma, best, size_px, noise, white, motion)
    if best.explained < EXPLAINED and best.residual > CLEAN * noise:  # else it is noise
        best = _uncluttered(luma, best, noise, white, motion)
    fault = _fault(best, noise)
    shape = replace(best.shape, noise=max(best.residual, ROUNDING))
    return Fix(
        best.position,
        best.covariance,
        shape,
        best.residual / noise,
        best.shape.contrast,
        best.visible,
        not fault,
        fault,
    )


def _sizes(size_px: float) -> tuple[tuple[float, ...], ...]:
    """Sizes (px) to try, those in later groups only where what is found so far isn't plain."""
    if not np.isfinite(size_px):
        return (tuple(SIZES.tolist()),)
    return (size_px,), (0.8 * size_px, 1.25 * size_px)


def _box(near: Array, size: float, search_px: float) -> tuple[int, int, int, int]:
    """Where the centre of a mark of this size may be: x0, y0, x1, y1."""
    reach = search_px if np.isfinite(search_px) else max(0.5 * size, 4.0)
    x0, y0 = np.floor(near - reach)
    x1, y1 = np.ceil(near + reach)
    return int(x0), int(y0), int(x1), int(y1)


def local_noise(luma: NDArray[Any], near: Array, size: float) -> float:
    """Standard deviation of one pixel's grey round a place, structure taken off.

    Second differences both ways (Immerkaer 1996), their median absolute value; at least that of
    rounding. Fine texture counts as noise.
    """
    half = int(np.clip(size, 12, 60))
    x, y = round(float(near[0])), round(float(near[1]))
    part = luma[max(y - half, 0) : y + half + 1, max(x - half, 0) : x + half + 1].astype(float)
    if min(part.shape) < 5:
        return ROUNDING
    d = part[:-2] - 2 * part[1:-1] + part[2:]
    d = d[:, :-2] - 2 * d[:, 1:-1] + d[:, 2:]
    return max(float(np.median(np.abs(d))) / (6.0 * 0.6745), ROUNDING)


def _fit_all(
    luma: NDArray[Any], found: list[Candidate], noise: float, white: float, motion: Array | None
) -> list[_Trial]:
    if not found:
        return []
    shapes = [c.shape for c in found]
    place = np.array([c.position for c in found])
    moves = None if motion is None else np.tile(np.asarray(motion, float), (len(found), 1))
    for extras, passes in ((False, 8), (True, 25)):  # the paint's proportions once all is near
        rows = pack(shapes, place, moves)
        done = fit(
            luma, rows, priors.loose(rows, extras), np.full(len(shapes), noise),
            np.zeros(len(shapes)), white, passes,
        )  # fmt: skip
        keep = _promising(luma, shapes, done)
        if len(keep) == 0:
            return []
        shapes = [unpack(shapes[i], done.rows.p[i], 0.0) for i in keep]
        place = done.rows.p[keep, :2].copy()
        moves = None if moves is None else moves[keep]
    return _final(luma, shapes, place, moves, noise, white)


def _promising(luma: NDArray[Any], shapes: list[Shape], done: Fitted) -> NDArray[np.int64]:
    """Which fits are worth going on with: not far worse than the best, and no two alike."""
    p, out = done.rows.p, done.out
    sound = np.flatnonzero(np.isfinite(p).all(axis=1) & (out[:, 4] > 12))
    left = {
        int(i): float(out[i, 3])
        / max(_variance(luma, unpack(shapes[i], p[i], 0.0), p[i, :2]), 1e-9)
        for i in sound
    }
    kept: list[int] = []
    for i in sorted(left, key=left.__getitem__):
        if kept and left[i] > 4.0 * left[kept[0]] + 0.1:
            break
        alike = (
            np.hypot(*(p[i, :2] - p[k, :2])) < 0.1
            and np.abs(p[i, 2:6] - p[k, 2:6]).max() < 0.05 * np.abs(p[k, 2:6]).max()
            and shapes[i].outline == shapes[k].outline
            and len(shapes[i].radii) == len(shapes[k].radii)
            for k in kept
        )
        if not any(alike):
            kept.append(i)
    return np.array(kept, np.int64)


def _final(
    luma: NDArray[Any],
    shapes: list[Shape],
    place: Array,
    moves: Array | None,
    noise: float,
    white: float,
) -> list[_Trial]:
    """Fit once more over the windows round where the marks now are."""
    rows = pack(shapes, place, moves)
    n = len(shapes)
    done = fit(luma, rows, priors.loose(rows, True), np.full(n, noise), np.zeros(n), white, 25)
    trials = []
    for i in range(n):
        o, p = done.out[i], done.rows.p[i]
        if o[5] <= 0 or not np.isfinite(p).all() or not np.isfinite(o[:3]).all():
            continue
        shape = unpack(shapes[i], p, 0.0)
        residual = float(np.sqrt(o[3]))
        trials.append(
            _Trial(
                p[:2].copy(),
                np.array([[o[0], o[1]], [o[1], o[2]]]),
                shape,
                residual,
                1.0 - o[3] / max(_variance(luma, shape, p[:2]), 1e-9),
                float(done.visible[i]),
            )
        )
    return trials


def _variance(luma: NDArray[Any], shape: Shape, place: Array) -> float:
    """Grey variance over the box round a mark."""
    w, h = np.abs(shape.affine).sum(axis=1).clip(2.0, 400.0) + 2.0
    x, y = np.clip(place, -1e6, 1e6)
    part = luma[
        max(int(y - h), 0) : max(int(y + h) + 1, 0), max(int(x - w), 0) : max(int(x + w) + 1, 0)
    ]
    return float(part.var()) if part.size else 0.0


def _choose(trials: list[_Trial], near: Array, limit: float, size: float) -> _Trial | None:
    """The nearest of those that fit about as well as the best one."""
    sane = [t for t in trials if np.hypot(*(t.position - near)) <= limit and _is_sane(t, size)]
    if not sane:
        return None
    sane = [t for t in sane if not any(_is_edge_of(e, t) for e in sane)]
    best = max(t.explained for t in sane)
    good = [t for t in sane if 1.0 - t.explained <= 1.5 * (1.0 - best) + 0.02]
    return min(good, key=lambda t: float(np.hypot(*(t.position - near))))


def _is_sane(t: _Trial, size: float) -> bool:
    """Whether a trial has the size it should (px, NaN if unknown) and a look that marks have."""
    return bool(
        t.shape.blur < 0.25 * t.shape.size + 1.0
        and (not np.isfinite(size) or 0.6 * size < t.shape.size < 1.6 * size)
        and np.linalg.cond(t.shape.affine) < 4.5
    )


def _is_edge_of(edged: _Trial, bare: _Trial) -> bool:
    """Whether a trial with an outer edge reaches into one without and fits the picture as well.

    What each explains can't tell: the bare one's window holds none of the ground.
    """
    return (
        bare.shape.outline == "none" != edged.shape.outline
        and 2.0 * float(np.hypot(*(edged.position - bare.position)))
        < edged.shape.size + bare.shape.size
        and EDGELESS * edged.residual < bare.residual
    )


def _outlined(
    luma: NDArray[Any],
    best: _Trial,
    size: float,
    noise: float,
    white: float,
    motion: Array | None,
) -> _Trial:
    """The same mark with the outer edge that explains the picture best."""
    choices: tuple[Outline, ...]
    if best.shape.pattern == "quadrant":
        choices = ("square", "none")
    elif best.shape.pattern == "hourglass":
        choices = ("disc", "none")
    else:
        return best
    for outline in choices:
        shape = replace(best.shape, outline=outline)
        if outline == "none":
            shape = replace(shape, affine=0.75 * shape.affine)
        moves = None if motion is None else np.asarray(motion, float)[None]
        other = _final(luma, [shape], best.position[None], moves, noise, white)
        gain = EDGELESS if outline == "none" else 0.98
        sane = other and (outline == "none" or _is_sane(other[0], size))
        if sane and other[0].residual < gain * best.residual:
            best = other[0]
    return best


def _uncluttered(
    luma: NDArray[Any], best: _Trial, noise: float, white: float, motion: Array | None
) -> _Trial:
    """The same mark with what doesn't belong to it weighted out: highlights, dirt, neighbours."""
    moves = None if motion is None else np.asarray(motion, float)[None]
    rows = pack([best.shape], best.position[None], moves)
    sigma = np.array([max(noise, 0.02 * abs(best.shape.contrast))])
    for share in (0.3, 0.15):
        scale = np.maximum(share * abs(best.shape.contrast) / sigma, TUKEY)
        done = fit(luma, rows, priors.loose(rows, True), sigma, scale, white, 25)
        rows = done.rows
    o, p = done.out[0], done.rows.p[0]
    if o[5] <= 0 or not np.isfinite(o).all() or o[4] < 0.5 * (done.inside[0] + done.outside[0]):
        return best
    shape = unpack(best.shape, p, 0.0)
    square = float(o[3]) / mean_square(float(scale[0]))
    explained = 1.0 - square / max(_variance(luma, shape, p[:2]), 1e-9)
    covariance = np.array([[o[0], o[1]], [o[1], o[2]]])
    residual = float(np.sqrt(square))
    return _Trial(p[:2].copy(), covariance, shape, residual, explained, float(done.visible[0]))


def _fault(t: _Trial, noise: float) -> str:
    if t.visible < 0.4:
        return "it lies outside the picture"
    if t.explained < EXPLAINED and t.residual > 2.0 * noise:
        return "what is there does not look like it"
    if abs(t.shape.contrast) < 4.0 * noise:
        return "it does not stand out from the noise"
    if not t.covariance[0, 0] + t.covariance[1, 1] < DETERMINED:
        return "its place is not determined"
    return ""
