"""One vehicle in one picture: found by the patterns and the surveyed layout of its marks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.detection.pattern_response import LOOKS, Look, response, together
from tracker.detection.vehicle_hypotheses import Layout, Peaks, Plane, best, hypotheses, plane_of
from tracker.detection.verify import NEAR, Placed, Target, fitted_afresh, prove, settle

PEAKS, STRONGEST = 100, 36
"""Peaks of a pattern that are considered in a picture, and those that poses are made of."""
LEAST = 0.55
"""Response from which a place is considered."""
TRIED = 16
"""Poses that are settled on peaks; the best `PROVED` of them are proved mark by mark."""
PROVED = 3
RIVAL = 0.9
"""Another pose is as good if it is worth this share of the best."""
CHANCE_PX, FLOOR_PX = 3.0, 0.15
"""Residuals of marks that agree with a pose by chance, and the least that count as different."""
SAME = 0.25
"""Distance in m within which two poses are the same."""
OWN = 0.6
"""Distance from a mark known already, in its sizes, within which a peak is that mark's."""


@dataclass(frozen=True)
class Known:
    """Marks of a picture that are not the vehicle's: fixed targets, other vehicles' marks."""

    place: Array  # (n, 2) px
    size: Array  # (n,) px


def place_vehicle(
    luma: NDArray[Any],
    camera: Camera,
    offset: float,
    targets: list[Target],
    known: Known,
    white: float,
    heading: float = 0.0,
) -> Placed | None:
    """One vehicle in one picture, none of whose marks are known; None where it isn't found.

    `offset` (m) is the lateral place of the vehicle by the test plan, `heading` (rad)
    the way it faces if nothing else tells.
    """
    plane = plane_of(camera, offset)
    layout = _layout(targets)
    sizes = np.array([t.size for t in targets])
    every = _peaks(luma, camera, plane, layout, sizes, known, white)
    seen = {look: peaks.strongest(STRONGEST) for look, peaks in every.items()}
    reach = max(4.0, NEAR * _pixels(camera, plane, float(sizes.mean())))
    near = {look: _nearness(luma.shape, peaks, reach) for look, peaks in every.items()}
    at = {look: peaks.place for look, peaks in every.items()}
    poses = hypotheses(camera, plane, layout, seen)
    settled = [
        settle(camera, plane, layout, sizes, pose, at)
        for pose in best(camera, layout, poses, near, TRIED)
    ]
    settled = [s for s in settled if np.isfinite(s[2])]
    settled.sort(key=lambda s: -worth(s[1], s[2]))
    proved: list[Placed] = []
    for pose, count, rms in _different(settled)[:PROVED]:
        if any(worth(len(p.pixels), p.rms_px) > worth(count, rms) for p in proved):
            break
        placed = prove(luma, camera, plane, targets, pose, white, {})
        proved += [] if placed is None else [placed]
    return _only(proved, heading)


def rest_of_vehicle(
    camera: Camera, offset: float, targets: list[Target], held: dict[str, Array]
) -> tuple[Plane, Array]:
    """Plane of motion and pose (6,) of a vehicle by the places (2,) of some marks, >= `ENOUGH`."""
    plane = plane_of(camera, offset)
    which = [t for t in targets if t.name in held]
    at = np.array([t.at for t in which])
    return plane, fitted_afresh(camera, plane, at, np.array([held[t.name] for t in which]))


def _layout(targets: list[Target]) -> Layout:
    return Layout(
        tuple(t.name for t in targets),
        np.array([t.at for t in targets]),
        tuple(LOOKS[t.pattern] for t in targets),
    )


def worth(count: int, rms: float) -> float:
    """How much speaks for a pose under which `count` marks fit to `rms` px: the logarithm of how
    much closer they are than by chance, for each coordinate that the pose's place and heading
    leave over.
    """
    return (2 * count - 4) * float(np.log(CHANCE_PX / (rms + FLOOR_PX)))


def _only(proved: list[Placed], heading: float) -> Placed | None:
    """The pose for which most speaks. Where several that differ in place do equally well, none;
    where they differ by the way the vehicle faces, the one nearest to `heading`.
    """
    if not proved:
        return None
    worths = [worth(len(p.pixels), p.rms_px) for p in proved]
    rivals = [p for p, w in zip(proved, worths, strict=True) if w > RIVAL * max(worths)]
    facing = max(rivals, key=lambda p: np.cos(p.pose[5] - heading))
    others = [p for p in rivals if np.cos(p.pose[5] - facing.pose[5]) > 0.9]
    same = all(np.linalg.norm(p.pose[:3] - facing.pose[:3]) < SAME for p in others)
    return facing if same else None


def _different(settled: list[tuple[Array, int, float]]) -> list[tuple[Array, int, float]]:
    kept: list[tuple[Array, int, float]] = []
    for s in settled:
        if all(
            np.linalg.norm(s[0][:3] - k[0][:3]) > 0.1 or abs(s[0][5] - k[0][5]) > 0.1 for k in kept
        ):
            kept.append(s)
    return kept


def _pixels(camera: Camera, plane: Plane, size: float) -> float:
    """Size in px of a length (m) in the plane of motion."""
    depth = abs(plane.middle - camera.position[plane.axis])
    return float(camera.lens.matrix[0, 0] * size / max(depth, 0.5))


def _peaks(
    luma: NDArray[Any],
    camera: Camera,
    plane: Plane,
    layout: Layout,
    sizes: Array,
    known: Known,
    white: float,
) -> dict[Look, Peaks]:
    """What the picture shows of the layout's looks, other marks left out."""
    reach = np.abs(
        plane.middle + layout.at[:, plane.axis] * (plane.axis == 2) - camera.position[plane.axis]
    )
    pixels = camera.lens.matrix[0, 0] * sizes / np.maximum(reach, 0.5)
    found: dict[Look, Peaks] = {}
    for look in dict.fromkeys(layout.looks):
        places, scores = [], []
        for size in together(pixels[[name == look for name in layout.looks]]):
            place, score = response(luma, look, size, white).peaks(PEAKS, LEAST)
            away = np.hypot(*(place[:, None] - known.place).transpose(2, 0, 1))
            free = ~np.any(away < OWN * known.size, axis=1)
            places.append(place[free])
            scores.append(score[free])
        found[look] = Peaks(np.concatenate(places), np.concatenate(scores))
    return found


def _nearness(shape: tuple[int, ...], peaks: Peaks, reach: float) -> Array:
    """How well a mark at each pixel (rows, columns) is explained by the best peak in reach."""
    picture = np.zeros(shape[:2], np.float32)
    worth = ((peaks.score - 0.5) / 0.5) ** 2
    for i in np.argsort(worth):
        u, v = (round(float(x)) for x in peaks.place[i])
        cv2.circle(picture, (u, v), round(reach), float(worth[i]), -1)
    return np.asarray(picture, float)
