"""Fixed targets near rough picks or by their surveyed layout, and the camera's pose by them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations, product
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Array, Camera, Lens
from calibration.problem import Problem
from calibration.survey import resect
from tracker.find.response import LOOKS, Look, response
from tracker.marks import locate
from tracker.values import Mark

ENOUGH = 4
"""Fixed targets from which a camera's pose is believed."""
FAR = 0.15
"""How far off a very rough pick may be, as a share of the picture's width."""
PEAKS, LEAST = 40, 0.6
CLOSE = 6
"""Peaks considered for each target."""
GOOD_PX = 4.0
"""Distance in px within which a peak agrees with a pose."""
STRAY_PX = 2.0
"""Distance in px from the place by the pose from which a pick is replaced, plus a quarter size."""
TRIALS, TRIPLES = 9000, 20
"""Most poses tried, of so many sets of three targets."""
APART = 8.0
"""Least distance in px of two targets that a pose is made of."""
ANYWHERE = 14
"""Peaks tried for a target whose pick says nothing."""
AGREED = 0.6
"""Share of the targets that must agree with a pose."""
ROUGH_M = 3.0
"""How far from its stated rough position a camera may be, m."""


@dataclass(frozen=True)
class Grounded:
    """A camera's pose at the frame of its fixed targets' picks."""

    camera: Camera
    places: Mapping[str, Array]  # (2,) px, of the targets found, by full name
    rms_px: float


def near_picks(
    pictures: Mapping[int, NDArray[Any]], marks: tuple[Mark, ...], white: float
) -> dict[str, Array]:
    """Places (2,) of the marks that are found near their picks, in the pictures of their frames."""
    found = {}
    for mark in marks:
        if mark.frame not in pictures or mark.pattern == "patch":
            continue
        luma = pictures[mark.frame]
        fix = locate(luma, mark.pattern, np.array(mark.pixel), mark.size_px, white=white)
        if fix.ok:
            found[mark.name] = fix.position
    return found


def pose_of(
    known: Mapping[str, Array],
    places: Mapping[str, Array],
    size: tuple[int, int],
    lens: Lens | None,
    rough: Array | None,
    pixel_u: float = 0.05,
) -> Grounded | None:
    """The camera's pose by targets at known ground points (3,) and where they are seen (2,), right
    to `pixel_u` px; None where they don't tell it.
    """
    names = [name for name in places if name in known]
    if len(names) < ENOUGH:
        return None
    try:
        pose = resect(
            names,
            np.array([known[name] for name in names]),
            np.array([places[name] for name in names]),
            np.broadcast_to(np.eye(2) * pixel_u**2, (len(names), 2, 2)),
            size=size,
            lens=lens,
            rough_position=rough,
        )
    except Problem:
        return None
    kept = {name: places[name] for name in names if name not in pose.left_out}
    return Grounded(pose.camera, kept, pose.rms_px)


def from_far(
    luma: NDArray[Any],
    known: Mapping[str, Array],
    marks: tuple[Mark, ...],
    sizes_m: Mapping[str, float],
    lens: Lens,
    rough: Array | None,
    white: float,
) -> dict[str, Array]:
    """Rough places (2,) of targets whose picks are far off: the pose that most of them agree with.

    Three targets on three peaks near their picks give up to four poses (perspective three-point
    problem); the one under which most targets have a peak is taken, if it is near `rough` (3,).
    Where none is good and `rough` is given, the strongest peaks of the picture are tried.
    """
    usable = [m for m in marks if m.name in known and m.pattern in LOOKS and m.name in sizes_m]
    peaks = _peaks(luma, usable, sizes_m, known, lens, rough, white)
    names = [mark.name for mark in usable]
    if len(names) < ENOUGH:
        return {}
    points = np.array([known[name] for name in names])
    all_of = [peaks[LOOKS[mark.pattern]] for mark in usable]
    reach = FAR * luma.shape[1]
    near = []
    for mark, places in zip(usable, all_of, strict=True):
        away = np.hypot(*(places - np.array(mark.pixel)).T)
        near.append(places[[k for k in np.argsort(away)[:CLOSE] if away[k] < reach]])
    agreed = _agreed(points, near, near, lens, rough)
    if not agreed and rough is not None:  # the picks say nothing: anything may be anywhere
        agreed = _agreed(points, [places[:ANYWHERE] for places in all_of], all_of, lens, rough)
    return {names[i]: place for i, place in agreed.items()}


def _agreed(
    points: Array, tried: list[Array], near: list[Array], lens: Lens, rough: Array | None
) -> dict[int, Array]:
    """Peaks (2,) of the targets at ground points (n, 3) by the pose that most of them agree with:
    poses by peaks `tried` for each, judged by those `near`. Empty where too few agree.
    """
    best: tuple[int, float, Array] = (0, np.inf, np.empty(0))
    for camera in _poses(points, tried, lens, rough):
        pixels = camera.project(points)
        away = np.array([_least(places, pixels[i]) for i, places in enumerate(near)])
        good, rest = int(np.sum(away < GOOD_PX)), float(np.sum(np.minimum(away, GOOD_PX)))
        if (good, -rest) > (best[0], -best[1]):
            best = good, rest, pixels
        if good == len(points):
            break
    if best[0] < max(ENOUGH, AGREED * len(points)):
        return {}
    found = {}
    for i, pixel in enumerate(best[2]):
        if _least(near[i], pixel) < GOOD_PX:
            found[i] = near[i][int(np.argmin(np.hypot(*(near[i] - pixel).T)))]
    return found


def _least(places: Array, pixel: Array) -> float:
    away = np.hypot(*(places - pixel).T)
    return float(np.min(np.nan_to_num(away, nan=np.inf), initial=np.inf))


def _poses(points: Array, tried: list[Array], lens: Lens, rough: Array | None) -> Iterator[Camera]:
    """Cameras by three targets at a time, widely spread ones first, near `rough` (3,) if given."""

    def area(triple: tuple[int, ...]) -> float:
        a, b, c = points[list(triple)]
        return float(np.linalg.norm(np.cross(b - a, c - a)))

    triples = sorted(combinations(range(len(points)), 3), key=area, reverse=True)
    flat = [lens.undistorted(places) for places in tried]
    trials = 0
    for triple in triples[:TRIPLES]:
        for which in product(*(range(len(tried[i])) for i in triple)):
            pixels = np.array([tried[i][k] for i, k in zip(triple, which, strict=True)])
            if min(np.ptp(pixels[:2], axis=0).max(), np.ptp(pixels[1:], axis=0).max()) < APART:
                continue
            trials += 1
            if trials > TRIALS:
                return
            seen = np.array([flat[i][k] for i, k in zip(triple, which, strict=True)])
            n, turns, shifts = cv2.solveP3P(
                points[list(triple)], seen, np.eye(3), np.zeros(4), cv2.SOLVEPNP_AP3P
            )
            for turn, shift in zip(turns[:n], shifts[:n], strict=True):
                rotation = np.asarray(cv2.Rodrigues(turn)[0], float)
                place = -rotation.T @ np.asarray(shift, float).ravel()
                if rough is None or np.linalg.norm(place - rough) < ROUGH_M:
                    yield Camera(lens, rotation, place)


def _peaks(
    luma: NDArray[Any],
    marks: list[Mark],
    sizes_m: Mapping[str, float],
    known: Mapping[str, Array],
    lens: Lens,
    rough: Array | None,
    white: float,
) -> dict[Look, Array]:
    """Places (n, 2) that look like the targets, at the sizes they should have."""
    found: dict[Look, Array] = {}
    for look in dict.fromkeys(LOOKS[m.pattern] for m in marks):
        mine = [m for m in marks if LOOKS[m.pattern] == look]
        if rough is None:
            sizes = np.array([m.size_px for m in mine])
        else:
            away = [np.linalg.norm(known[m.name] - rough) for m in mine]
            sizes = lens.matrix[0, 0] * np.array([sizes_m[m.name] for m in mine]) / away
        sizes = np.sort(sizes[np.isfinite(sizes)])
        places = []
        while len(sizes):
            group, sizes = sizes[sizes < 1.35 * sizes[0]], sizes[sizes >= 1.35 * sizes[0]]
            size = float(np.sqrt(group[0] * group[-1]))
            places.append(response(luma, look, size, white).peaks(PEAKS, LEAST)[0])
        found[look] = np.concatenate(places) if places else np.empty((0, 2))
    return found


def better_picks(
    marks: tuple[Mark, ...],
    known: Mapping[str, Array],
    sizes_m: Mapping[str, float],
    ground: Grounded,
) -> tuple[Mark, ...]:
    """The marks with picks that contradict the pose replaced by what it says, and sizes by it."""
    out = []
    for mark in marks:
        if mark.name in known:
            point = known[mark.name][None]
            pixel = ground.camera.project(point)[0]
            depth = ground.camera.in_camera_axes(point)[0, 2]
            size = mark.size_px
            if mark.name in sizes_m and depth > 0:
                size = float(ground.camera.lens.matrix[0, 0] * sizes_m[mark.name] / depth)
            place = ground.places.get(mark.name)
            off = np.hypot(*(pixel - mark.pixel))
            if place is not None or off > STRAY_PX + 0.25 * np.nan_to_num(size):
                u, v = pixel if place is None else place
                if np.isfinite([u, v]).all():
                    mark = replace(mark, pixel=(float(u), float(v)), size_px=size)
        out.append(mark)
    return tuple(out)
