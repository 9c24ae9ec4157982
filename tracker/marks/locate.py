"""Find a mark from a rough pick."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.constants import NORMAL_MEDIAN
from tracker.core.types import Pattern
from tracker.marks.batch_fit import FitResult, fit_marks
from tracker.marks.candidates import Candidate, find_candidates
from tracker.marks.cluttered_fit import Search, Trial, is_sane, trial_in_clutter, without_clutter
from tracker.marks.fit_inputs import FitNoise
from tracker.marks.measure import ROUNDING
from tracker.marks.options import MARKS
from tracker.marks.packing import AFFINE, PLACE, pack_shapes, unpack_shape
from tracker.marks.parameters import PASSES, RESIDUAL_VARIANCE, RINGS, WEIGHT_SUM
from tracker.marks.patterns import PATTERN_MODELS, RING_BANDS
from tracker.marks.priors import loose_prior
from tracker.marks.texture_patch import learn_patch
from tracker.marks.types import Fix, Outline, Picture, Shape

_SIZES = tuple((MARKS.size_smallest * MARKS.size_ratio ** np.arange(MARKS.sizes_tried)).tolist())
"""Sizes (px) tried where nothing is known."""
_KERNEL_GAIN = 6.0
"""Gain of those second differences on white noise."""
_RESHAPED = 2
"""Candidates, the best ones, of rings that are tried with other bands as well."""
_CLUMP = 2
"""px, at which grains that spread over neighbouring pixels differ."""


def locate_mark(
    picture: Picture,
    pattern: Pattern,
    near: Array,
    size_px: float = float("nan"),
    search_px: float = float("nan"),
    *,
    motion: Array | None = None,
) -> Fix:
    """The mark nearest to a rough pick, and what it looks like.

    Parameters
    ----------
    picture : the picture.
    near : (2,) px, some pixels off, up to half a mark.
    size_px : outer diameter or side along the seen mark's longer axis, right within a third;
        NaN if unknown.
    search_px : how far from `near` the centre may be; NaN for half the size, at least 4 px.
    motion : (2,) px that the mark moves during the exposure; None for none.

    A patch is not searched: the pick names its place. For the others orientation, tilt up to 70
    degrees and polarity are found. Not found: `ok` is False and `why` says what spoke against it.
    """
    near = np.asarray(near, float)
    known = np.isfinite(size_px)
    noise = local_noise(picture.luma, near, size_px if known else MARKS.noise_size)
    if not PATTERN_MODELS[pattern].trial_shapes:
        return learn_patch(picture, near, size_px, noise)
    rough = max(
        noise, local_noise(picture.luma, near, size_px if known else MARKS.noise_size, _CLUMP)
    )
    search = Search(picture, noise, rough, None if motion is None else np.asarray(motion, float))
    limit = _reach(size_px if known else MARKS.largest_size, search_px)
    trials: list[Trial] = []
    candidates: list[Candidate] = []
    best = None
    groups = _size_groups(size_px)
    looks: list[tuple[tuple[float, ...], bool]] = [(sizes, False) for sizes in groups]
    for sizes, softened in (*looks, (groups[0], True)):
        if softened and (best is not None or not known):
            break
        found = [
            candidate
            for size in sizes
            for candidate in _candidates(
                picture.luma, pattern, size, _box(near, _reach(size, search_px)), softened
            )
        ]
        trials += _fit_candidates(search, found)
        candidates += found
        best = _best_trial(trials, near, limit + 1.0, size_px)
        if best is not None and best.explained > MARKS.plain:
            break
    fault = "nothing there looks like it" if not trials else "no fit converges near the pick"
    if best is not None:
        best = _with_best_outline(search, best, size_px)
        if best.explained < MARKS.explained and best.residual > MARKS.clean_ratio * noise:
            best = without_clutter(search, best)  # else what is left is noise
        fault = _fault(best, noise, rough)
    if known and (best is None or fault or _is_spoilt(best, noise, rough)):
        clear = trial_in_clutter(search, candidates, near, limit + 1.0, size_px)
        whole = None if fault else best
        if clear is not None and _is_clear(clear, whole, near, (noise, rough)):
            best, fault = clear, ""
    if best is None:
        blank = Shape(pattern, np.eye(2) * (0.5 * size_px if known else 1.0), 1.0, 0.0, 0.0)
        return Fix(near, np.full((2, 2), np.inf), blank, np.inf, 0.0, 0.0, False, fault)
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


def _candidates(
    luma: NDArray[Any], pattern: Pattern, size: float, box: tuple[int, int, int, int], soft: bool
) -> list[Candidate]:
    """Places that look like the mark; `soft`: in the picture without its finest detail, which grain
    spoils, and already with a lesser likeness.
    """
    if not soft:
        return find_candidates(luma, pattern, size, box, MARKS.candidates)
    margin = int(2 * size) + 8
    x0, y0 = max(box[0] - margin, 0), max(box[1] - margin, 0)
    part = luma[y0 : box[3] + margin + 1, x0 : box[2] + margin + 1].astype(np.float32)
    if min(part.shape) < 3:
        return []
    softened = cv2.GaussianBlur(part, (0, 0), MARKS.soft_blur)
    inside = box[0] - x0, box[1] - y0, box[2] - x0, box[3] - y0
    found = find_candidates(softened, pattern, size, inside, MARKS.candidates, MARKS.soft_score)
    return [replace(c, position=c.position + np.array([x0, y0])) for c in found]


def _size_groups(size_px: float) -> tuple[tuple[float, ...], ...]:
    """Sizes (px) to try, those in later groups only where what is found so far isn't plain."""
    if not np.isfinite(size_px):
        return (_SIZES,)
    return (size_px,), (MARKS.size_low * size_px, MARKS.size_high * size_px)


def _reach(size: float, search_px: float) -> float:
    """How far from the pick the centre of a mark of this size may be, px."""
    if np.isfinite(search_px):
        return search_px
    return max(MARKS.search_share * size, MARKS.search_least)


def _box(near: Array, reach: float) -> tuple[int, int, int, int]:
    """Where a centre may be: x0, y0, x1, y1."""
    x0, y0 = np.floor(near - reach)
    x1, y1 = np.ceil(near + reach)
    return int(x0), int(y0), int(x1), int(y1)


def local_noise(luma: NDArray[Any], near: Array, size: float, step: int = 1) -> float:
    """Standard deviation of one pixel's grey round a place, structure taken off.

    Second differences both ways (Immerkaer 1996), their median absolute value; at least that of
    rounding. Fine texture counts as noise; with a larger `step`, px, coarser texture does too, and
    the whole of a grain that spreads over pixels.
    """
    half = int(np.clip(size, MARKS.noise_half_least, MARKS.noise_half_most))
    x, y = round(float(near[0])), round(float(near[1]))
    part = luma[max(y - half, 0) : y + half + 1, max(x - half, 0) : x + half + 1].astype(float)
    if min(part.shape) < 4 * step + 1:
        return ROUNDING
    d = part[: -2 * step] - 2 * part[step:-step] + part[2 * step :]
    d = d[:, : -2 * step] - 2 * d[:, step:-step] + d[:, 2 * step :]
    return max(float(np.median(np.abs(d))) / (_KERNEL_GAIN * NORMAL_MEDIAN), ROUNDING)


def _with_other_bands(found: list[Candidate]) -> list[Candidate]:
    """Rings, each with every other number and width of bands: small and oblique ones look alike."""
    return [
        replace(c, shape=replace(c.shape, radii=radii, steps=steps))
        for c in found
        if c.shape.pattern == "ring"
        for radii, steps in RING_BANDS
        if (radii, steps) != (c.shape.radii, c.shape.steps)
    ]


def _fit_candidates(search: Search, found: list[Candidate]) -> list[Trial]:
    if not found:
        return []
    found = [*found, *_with_other_bands(found[:_RESHAPED])]
    shapes = [c.shape for c in found]
    place = np.array([c.position for c in found])
    # the paint's proportions once all is near
    for extras, passes in ((False, MARKS.first_passes), (True, MARKS.full_passes)):
        done = _fit_shapes(search, shapes, place, extras, passes)
        keep = _worth_keeping(search, shapes, done)
        if len(keep) == 0:
            return []
        shapes = [unpack_shape(shapes[i], done.rows.p[i], 0.0) for i in keep]
        place = done.rows.p[keep, PLACE].copy()
    return _final_trials(search, shapes, place)


def _fit_shapes(
    search: Search, shapes: list[Shape], place: Array, extras: bool, passes: int
) -> FitResult:
    """Fit by least squares over the windows round these places (n, 2) px."""
    n = len(shapes)
    rows = pack_shapes(shapes, place, search.moves(n))
    noise = FitNoise(search.picture.white, np.full(n, search.noise), np.zeros(n))
    return fit_marks(search.picture, rows, loose_prior(rows, extras), noise, passes)


def _worth_keeping(search: Search, shapes: list[Shape], done: FitResult) -> list[int]:
    """Which fits are worth going on with: not far worse than the best, and no two alike."""
    p, out = done.rows.p, done.out
    converged = np.flatnonzero(
        np.isfinite(p).all(axis=1) & (out[:, WEIGHT_SUM] > MARKS.least_weight)
    )
    rest = {
        int(i): float(out[i, RESIDUAL_VARIANCE])
        / search.variance(unpack_shape(shapes[i], p[i], 0.0), p[i, PLACE])
        for i in converged
    }
    distinct: list[int] = []
    for i in sorted(rest, key=rest.__getitem__):
        if distinct and rest[i] > MARKS.rest_factor * rest[distinct[0]] + MARKS.rest_margin:
            break
        if not any(_is_alike(p[i], p[k], shapes[i], shapes[k]) for k in distinct):
            distinct.append(i)
    return distinct


def _is_alike(one: Array, other: Array, shape: Shape, other_shape: Shape) -> bool:
    """Whether two fits, rows p of these shapes, ended at the same."""
    turn = np.abs(one[AFFINE] - other[AFFINE]).max()
    return bool(
        np.hypot(*(one[PLACE] - other[PLACE])) < MARKS.same_place
        and turn < MARKS.same_shape * np.abs(other[AFFINE]).max()
        and shape.outline == other_shape.outline
        and len(shape.radii) == len(other_shape.radii)
    )


def _final_trials(search: Search, shapes: list[Shape], place: Array) -> list[Trial]:
    """Fit once more over the windows round where the marks now are."""
    done = _fit_shapes(search, shapes, place, True, MARKS.full_passes)
    done = _converge_with_fixed_proportions(search, shapes, done)
    covariance, trials = done.covariance, []
    for i in range(len(shapes)):
        p, square = done.rows.p[i], float(done.out[i, RESIDUAL_VARIANCE])
        converged = done.out[i, PASSES] > 0 and np.isfinite(p).all()
        if not converged or not np.isfinite(covariance[i]).all():
            continue
        shape = unpack_shape(shapes[i], p, 0.0)
        explained = 1.0 - square / search.variance(shape, p[PLACE])
        visible = float(done.visible[i])
        trials.append(
            Trial(p[PLACE].copy(), covariance[i], shape, float(np.sqrt(square)), explained, visible)
        )
    return trials


def _converge_with_fixed_proportions(
    search: Search, shapes: list[Shape], done: FitResult
) -> FitResult:
    """The same, rings' fits that don't converge done again with the paint's proportions as they
    are: in a small, soft ring these and the edge's blur stand for each other.
    """
    finite = np.isfinite(done.rows.p).all(axis=1)
    index = np.flatnonzero((done.out[:, PASSES] <= 0) & finite & (done.rows.kinds == RINGS))
    if len(index) == 0:
        return done
    fixed_shapes = [unpack_shape(shapes[i], done.rows.p[i], 0.0) for i in index]
    place = done.rows.p[index, PLACE].copy()
    return done.replace_at(
        index, _fit_shapes(search, fixed_shapes, place, False, MARKS.full_passes)
    )


def _best_trial(trials: list[Trial], near: Array, limit: float, size: float) -> Trial | None:
    """The nearest of those that fit about as well as the best one."""
    sane = [t for t in trials if np.hypot(*(t.position - near)) <= limit and is_sane(t, size)]
    if not sane:
        return None
    sane = [t for t in sane if not any(_is_edge_of(e, t) for e in sane)]
    best = max(t.explained for t in sane)
    good = [
        t
        for t in sane
        if 1.0 - t.explained <= MARKS.choice_factor * (1.0 - best) + MARKS.choice_margin
    ]
    return min(good, key=lambda t: float(np.hypot(*(t.position - near))))


def _is_edge_of(edged: Trial, bare: Trial) -> bool:
    """Whether a trial with an outer edge reaches into one without and fits the picture as well.

    What each explains doesn't decide it: the bare one's window holds none of the ground.
    """
    return (
        bare.shape.outline == "none" != edged.shape.outline
        and 2.0 * float(np.hypot(*(edged.position - bare.position)))
        < edged.shape.size + bare.shape.size
        and MARKS.edgeless * edged.residual < bare.residual
    )


def _with_best_outline(search: Search, best: Trial, size: float) -> Trial:
    """The same mark with the outer edge that explains the picture best."""
    for outline in PATTERN_MODELS[best.shape.pattern].outlines:
        other = _trial_with_outline(search, best, outline)
        if other is None or (outline != "none" and not is_sane(other, size)):
            continue
        gain = MARKS.edgeless if outline == "none" else MARKS.other_outline
        if other.residual < gain * best.residual:
            best = other
    return best


def _trial_with_outline(search: Search, best: Trial, outline: Outline) -> Trial | None:
    shape = replace(best.shape, outline=outline)
    if outline == "none":
        shape = replace(shape, affine=MARKS.edgeless_size * shape.affine)
    trials = _final_trials(search, [shape], best.position[None])
    return trials[0] if trials else None


def _fault(t: Trial, noise: float, rough: float) -> str:
    """What speaks against a trial; `rough` is the noise with what of it clumps."""
    if t.visible < MARKS.located_visible:
        return "it lies outside the picture"
    if t.explained < MARKS.explained and t.residual > MARKS.located_residual * rough:
        return "what is there does not look like it"
    if abs(t.shape.contrast) < MARKS.located_contrast * noise:
        return "it does not stand out from the noise"
    if not t.covariance[0, 0] + t.covariance[1, 1] < MARKS.located_variance:
        return "its place is not determined"
    return ""


def _is_spoilt(t: Trial, noise: float, rough: float) -> bool:
    """Whether a sound fit to all of the window is so bad that one to a part may be better."""
    least = max(MARKS.cluttered_residual * noise, MARKS.located_residual * rough)
    plain = t.shape.outline != "none" and t.residual < least
    return not plain and _relative_rest(t) > MARKS.cluttered_rest


def _is_clear(t: Trial, whole: Trial | None, near: Array, noise: tuple[float, float]) -> bool:
    """Whether a fit to a part is to be believed, and more than a sound one to the whole window: it
    fits far better, and is not farther from the pick, (2,) px. `noise`: without and with clumps.
    """
    if abs(t.shape.contrast) < MARKS.cluttered_contrast * noise[1] or _fault(t, *noise):
        return False
    if whole is None:
        return True
    farther = np.hypot(*(t.position - near)) - np.hypot(*(whole.position - near))
    return bool(
        _relative_rest(t) < MARKS.cluttered_gain * _relative_rest(whole)
        and farther < MARKS.cluttered_farther * whole.shape.size
    )


def _relative_rest(t: Trial) -> float:
    """What a trial leaves unexplained, over the contrast."""
    return t.residual / max(abs(t.shape.contrast), 1e-9)
