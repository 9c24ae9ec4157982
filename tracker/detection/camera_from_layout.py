"""The pose of a camera from the surveyed layout of its fixed targets alone.

Three targets laid on three peaks of their patterns give up to four poses of the camera (perspective
three-point problem). The pose under which most of the others have a peak too is taken, unless
another one does as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Lens
from tracker.core.types import Mark, MarkId
from tracker.detection.options import DETECTION
from tracker.detection.pattern_response import FAMILIES, filter_sizes, pattern_response
from tracker.marks import Picture
from tracker.marks.patterns import Family

_SIZES = tuple(
    DETECTION.size_smallest * DETECTION.size_ratio**k for k in range(DETECTION.sizes_tried)
)
"""Sizes in px sought where nothing says how large the targets are."""
_FOCALS = tuple(
    DETECTION.focal_smallest * DETECTION.focal_ratio**k for k in range(DETECTION.focals_tried)
)
"""Focal lengths tried where none is known, in widths of the picture."""
_SMALLEST, _LARGEST = 3.0, 0.5
"""Size in px, and over the picture's shorter side, between which a filter works."""
_NARROWING_PICKS = 2
"""Picks that narrow the search for a camera's pose."""


@dataclass(frozen=True)
class TargetLayout:
    """n fixed targets of a camera: full names, ground points, patterns, picks."""

    names: tuple[MarkId, ...]
    points: Array  # (n, 3) m
    families: tuple[Family, ...]
    sizes_m: Array  # (n,)
    sizes_px: Array  # (n,) as the picks have it; NaN where they don't say
    picks: Array  # (n, 2) px, rough; NaN where there are none


@dataclass(frozen=True)
class PoseAgreement:
    """How well peaks agree with a pose: which peak (2,) px is each target's."""

    peaks: Mapping[int, tuple[float, float]]
    mean_px: float


def target_layout(
    known: Mapping[MarkId, Array], marks: tuple[Mark, ...], sizes_m: Mapping[MarkId, float]
) -> TargetLayout:
    """Those of the marks that differ from scenery: surveyed, painted, of known size."""
    usable = [m for m in marks if m.name in known and m.pattern in FAMILIES and m.name in sizes_m]
    return TargetLayout(
        tuple(m.name for m in usable),
        np.array([known[m.name] for m in usable]).reshape(-1, 3),
        tuple(FAMILIES[m.pattern] for m in usable),
        np.array([sizes_m[m.name] for m in usable]),
        np.array([m.size_px for m in usable]),
        np.array([m.pixel for m in usable], float).reshape(-1, 2),
    )


def pixels_by_layout(
    picture: Picture, targets: TargetLayout, lens: Lens | None, rough: Array | None
) -> dict[MarkId, Array]:
    """Rough places (2,) px of fixed targets whose picks are far off or missing, by full name.

    `rough` (3,) m is the camera's stated rough position. Without a `lens` focal lengths are tried
    one after the other, which takes `rough`. Empty where no pose agrees with enough targets, or
    more than one does.
    """
    if len(targets.names) < DETECTION.target_marks or (lens is None and rough is None):
        return {}
    everywhere = np.full_like(targets.picks, np.nan)
    trials = [targets.picks] if np.isfinite(targets.picks).any() else []
    if rough is not None or not trials:
        trials.append(everywhere)  # the picks say nothing: anything may be anywhere
    rows, columns = picture.luma.shape
    good = DETECTION.layout_agree if lens is not None else DETECTION.layout_agree_share * columns
    lenses = _lenses(lens, (columns, rows))
    seen = [_target_peaks(picture, targets, each, rough) for each in lenses]
    for picks in trials:
        found: list[PoseAgreement] = []
        for each, peaks in zip(lenses, seen, strict=True):
            found += _agreeing_poses(
                targets, picks, peaks, each, rough, DETECTION.pick_reach * columns, good
            )
        best = _unambiguous(found)
        if best is not None:
            return {targets.names[i]: np.array(place) for i, place in best.peaks.items()}
    return {}


def _lenses(lens: Lens | None, size: tuple[int, int]) -> list[Lens]:
    if lens is not None:
        return [lens]
    width, height = size
    middle = (width - 1) / 2, (height - 1) / 2
    return [
        Lens(
            np.array([[f * width, 0, middle[0]], [0, f * width, middle[1]], [0, 0, 1.0]]),
            np.zeros(5),
            size,
        )
        for f in _FOCALS
    ]


def _unambiguous(found: list[PoseAgreement]) -> PoseAgreement | None:
    """The pose with which most targets agree; None where another has as many, nearly as near."""
    most = max((len(a.peaks) for a in found), default=0)
    rivals = [a for a in found if len(a.peaks) == most]
    best = min(rivals, key=lambda a: a.mean_px, default=None)
    if best is None:
        return None
    for other in rivals:
        differ = sum(
            i not in other.peaks
            or np.hypot(*np.subtract(other.peaks[i], place)) > DETECTION.same_peak
            for i, place in best.peaks.items()
        )
        if differ > 1 and other.mean_px < best.mean_px + DETECTION.layout_lead:
            return None
    return best


def _agreeing_poses(
    targets: TargetLayout,
    picks: Array,
    peaks: Mapping[Family, Array],
    lens: Lens,
    rough: Array | None,
    reach: float,
    good: float,
) -> list[PoseAgreement]:
    """The poses with which most targets agree, if enough do: to `good` px, by peaks within `reach`
    px of their picks. Different sets of peaks only.
    """
    n = len(targets.names)
    near, tried = [], []
    for family, pick in zip(targets.families, picks, strict=True):
        away = np.hypot(*(peaks[family] - pick).T)
        close = peaks[family][
            [k for k in np.argsort(away)[: DETECTION.peaks_near_pick] if away[k] < reach]
        ]
        picked = bool(np.isfinite(pick).all())
        near.append(close if picked else peaks[family])
        tried.append(close if picked else peaks[family][: DETECTION.peaks_anywhere])
    narrow = rough is not None or np.isfinite(picks).all(axis=1).sum() >= _NARROWING_PICKS
    most = (
        max(DETECTION.target_marks, DETECTION.layout_share * n)
        if narrow
        else max(DETECTION.layout_marks_wide, DETECTION.layout_share_wide * n)
    )
    flat = [lens.matrix[0, 0] * lens.undistort_pixels(places).reshape(-1, 2) for places in near]
    found: dict[tuple[int, ...], PoseAgreement] = {}
    for turns, places in _candidate_poses(targets.points, tried, lens, rough):
        if len(turns) == 0:
            continue
        from_there = np.einsum("kij,knj->kni", turns, targets.points - places[:, None])
        seen = lens.matrix[0, 0] * from_there[:, :, :2] / from_there[:, :, 2:]
        which, away = _nearest_peaks(seen, flat)
        counts = np.sum(away < good, axis=1)
        for k in np.flatnonzero(counts >= most).tolist():
            peak = {i: int(which[k, i]) for i in np.flatnonzero(away[k] < good).tolist()}
            spots = {i: (float(near[i][j, 0]), float(near[i][j, 1])) for i, j in peak.items()}
            mean = float(away[k, list(peak)].mean())
            key = tuple(peak.get(i, -1) for i in range(n))
            if len(set(spots.values())) < len(spots):  # two targets claim one peak
                continue
            most = max(most, len(peak))
            if key not in found or mean < found[key].mean_px:
                found[key] = PoseAgreement(spots, mean)
    return [a for a in found.values() if len(a.peaks) >= most]


def _nearest_peaks(seen: Array, flat: list[Array]) -> tuple[NDArray[np.int64], Array]:
    """The nearest peak of each target, and how far (k, n) px it is from where k poses put it."""
    which = np.zeros(seen.shape[:2], np.int64)
    away = np.full(seen.shape[:2], np.inf)
    for i, places in enumerate(flat):
        if len(places):
            off = np.hypot(*np.moveaxis(seen[:, i, None] - places, -1, 0))
            which[:, i] = np.argmin(off, axis=1)
            away[:, i] = np.nan_to_num(np.min(off, axis=1), nan=np.inf)
    return which, away


def _candidate_poses(
    points: Array, tried: list[Array], lens: Lens, rough: Array | None
) -> Iterator[tuple[Array, Array]]:
    """Cameras by three targets at a time, widely spread ones first, near `rough` (3,) if given:
    their rotations (k, 3, 3) and places (k, 3).
    """

    def area(triple: tuple[int, ...]) -> float:
        a, b, c = points[list(triple)]
        return float(np.linalg.norm(np.cross(b - a, c - a)))

    triples = sorted(combinations(range(len(points)), 3), key=area, reverse=True)
    flat = [lens.undistort_pixels(places).reshape(-1, 2) for places in tried]
    left = DETECTION.poses_tried
    for triple in triples[: DETECTION.triples_tried]:
        at = points[list(triple)]
        grid = _possible_peaks(triple, tried, flat, at, rough)[:left]
        left -= len(grid)
        rotations, places = [], []
        for which in grid:
            seen = np.array([flat[i][k] for i, k in zip(triple, which, strict=True)])
            n, turns, shifts = cv2.solveP3P(at, seen, np.eye(3), np.zeros(4), cv2.SOLVEPNP_AP3P)
            for turn, shift in zip(turns[:n], shifts[:n], strict=True):
                rotation = np.asarray(cv2.Rodrigues(turn)[0], float)
                place = -rotation.T @ np.asarray(shift, float).ravel()
                if _is_allowed(place, points, rough):
                    rotations.append(rotation)
                    places.append(place)
        yield np.array(rotations).reshape(-1, 3, 3), np.array(places).reshape(-1, 3)


def _is_allowed(place: Array, points: Array, rough: Array | None) -> bool:
    """Whether a camera may be there: near its rough position, else above the targets' ground."""
    if rough is None:
        return bool(place[2] < points[:, 2].max())
    distance = float(np.linalg.norm(points.mean(axis=0) - rough))
    return bool(
        np.linalg.norm(place - rough)
        < max(DETECTION.rough_position, DETECTION.rough_position_share * distance)
    )


def _possible_peaks(
    triple: tuple[int, ...],
    tried: list[Array],
    flat: list[Array],
    at: Array,
    rough: Array | None,
) -> NDArray[np.int64]:
    """Peaks (k, 3) that three targets `at` (3, 3) may be: apart, and as far from one another and
    as turned as they look from the rough position.
    """
    counts = [len(tried[i]) for i in triple]
    grid = np.stack(np.meshgrid(*(np.arange(c) for c in counts), indexing="ij"), -1).reshape(-1, 3)
    pixels = [tried[i][grid[:, n]] for n, i in enumerate(triple)]
    seen = [flat[i][grid[:, n]] for n, i in enumerate(triple)]
    good = np.ones(len(grid), bool)
    for a, b in ((0, 1), (1, 2), (0, 2)):
        good &= np.abs(pixels[a] - pixels[b]).max(axis=1) > DETECTION.targets_apart
        if rough is not None:
            angle = np.arccos(np.clip(np.einsum("ki,ki->k", _rays(seen[a]), _rays(seen[b])), -1, 1))
            one, two = at[a] - rough, at[b] - rough
            cosine = one @ two / (np.linalg.norm(one) * np.linalg.norm(two))
            wanted = float(np.arccos(np.clip(cosine, -1, 1)))
            good &= (angle > DETECTION.angle_low * wanted) & (angle < DETECTION.angle_high * wanted)
    if rough is not None:
        to = at - rough
        turned = np.linalg.det(to)  # the sign of the turn from one to the next, seen from there
        first, second = seen[1] - seen[0], seen[2] - seen[0]
        good &= (first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) * turned > 0
    return grid[good]


def _rays(seen: Array) -> Array:
    """Directions (k, 3) of undistorted image points (k, 2)."""
    rays = np.column_stack([seen, np.ones(len(seen))])
    return np.asarray(rays / np.linalg.norm(rays, axis=1)[:, None])


def _target_peaks(
    picture: Picture, targets: TargetLayout, lens: Lens, rough: Array | None
) -> dict[Family, Array]:
    """Places (n, 2) that look like the targets, at the sizes they should have, the best first."""
    found: dict[Family, Array] = {}
    for family in dict.fromkeys(targets.families):
        mine = np.array([each == family for each in targets.families])
        if rough is not None:
            away = np.linalg.norm(targets.points[mine] - rough, axis=1)
            sizes = lens.matrix[0, 0] * targets.sizes_m[mine] / away
        else:
            sizes = targets.sizes_px[mine]
            sizes = sizes if np.isfinite(sizes).all() else np.array(_SIZES)
        found[family] = _peaks_of_sizes(picture, family, sizes)
    return found


def _peaks_of_sizes(picture: Picture, family: Family, sizes: Array) -> Array:
    """Places (n, 2) that look like a pattern of one of these sizes in px, the best first."""
    places, scores, widths = [], [], []
    for size in filter_sizes(sizes):
        if not _SMALLEST < size < _LARGEST * min(picture.luma.shape):
            continue
        place, score = pattern_response(picture, family, size).peaks(
            DETECTION.layout_peaks, DETECTION.layout_response
        )
        places.append(place)
        scores.append(score)
        widths.append(np.full(len(score), size))
    if not places:
        return np.empty((0, 2))
    place, score, width = (np.concatenate(x) for x in (places, scores, widths))
    distinct: list[int] = []
    for i in np.argsort(-score).tolist():
        if all(
            np.hypot(*(place[i] - place[k])) > DETECTION.same_peak_share * min(width[i], width[k])
            for k in distinct
        ):
            distinct.append(i)
    return np.asarray(place[distinct])
