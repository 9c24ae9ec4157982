"""Where in a picture something looks like a mark: correlation with a bank of small renderings.

The picture is brought to the scale at which the mark is about 16 px across; there the pattern,
turned and tilted in steps, is correlated (zero mean, normalised), so lighting doesn't matter and
both polarities are found at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.marks.fit import greys
from tracker.marks.pack import pack
from tracker.marks.shape import Pattern, Shape

WORKING = 16.0
"""Size in px at which patterns are correlated."""


@dataclass(frozen=True)
class Candidate:
    """A place that looks like the pattern."""

    position: Array  # (2,) px
    shape: Shape
    score: float  # absolute normalised correlation, 0..1


def _turn(angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s], [s, c]])


def _affines(turns: int, period: float, tilts: tuple[float, ...], axes: int) -> list[Array]:
    """Unit affines: turned in steps, then tilted by each angle about axes in steps."""
    angles = np.arange(turns) * period / turns
    found = [_turn(a) for a in angles]
    for tilt in tilts:
        for axis in np.arange(axes) * np.pi / axes:
            squeeze = _turn(axis) @ np.diag([1.0, np.cos(tilt)]) @ _turn(-axis)
            found += [squeeze @ _turn(a) for a in angles]
    return found


@lru_cache(maxsize=8)
def looks(pattern: Pattern) -> tuple[Shape, ...]:
    """The pattern's possible looks at unit half size, contrast 1 and level 0."""
    base = Shape(pattern, np.eye(2), 0.7, 0.0, 1.0)
    half = np.pi / 2
    if pattern == "quadrant":
        affines = _affines(6, half, (0.9, 1.15), 6)
        bare = replace(base, outline="none")
        return tuple(replace(b, affine=A) for b in (base, bare) for A in affines)
    if pattern == "hourglass":
        bow = replace(base, outline="flat", offset=0.5)
        return tuple(
            replace(bow, affine=A, opening=o)
            for A in _affines(12, np.pi, (), 1)
            for o in np.radians([30.0, 55.0, 85.0])
        )
    if pattern == "cross":
        return tuple(replace(base, affine=A) for A in _affines(8, half, (0.9,), 4))
    ellipses = _affines(1, half, (0.8, 1.15), 8)
    if pattern == "ring":
        profiles: list[tuple[tuple[float, ...], tuple[float, ...]]] = [
            ((0.6,), (-1.0,)),
            ((0.75,), (-1.0,)),
            ((0.66, 0.33), (-1.0, 1.0)),
        ]
        return tuple(
            replace(base, affine=A, radii=r, steps=s) for A in ellipses for r, s in profiles
        )
    return tuple(replace(base, affine=A) for A in ellipses)


@lru_cache(maxsize=64)
def _bank(pattern: Pattern, size: float) -> tuple[tuple[Shape, NDArray[np.float32]], ...]:
    found = []
    for look in looks(pattern):
        shape = replace(look, affine=look.affine * 0.5 * size)
        reach = np.ceil(np.abs(shape.affine).sum(axis=1).clip(2.0, 0.5 * size) + 2.0)
        w, h = int(reach[0]), int(reach[1])
        rows = pack([shape], np.array([[w, h]], float), None)
        y, x = np.mgrid[: 2 * h + 1, : 2 * w + 1]
        grid = np.stack([x.ravel(), y.ravel(), 0 * x.ravel()]).astype(float)
        picture = greys(int(rows.kinds[0]), rows.p[0], rows.q[0], rows.templates, grid)
        picture = picture.reshape(y.shape)
        found.append((shape, picture.astype(np.float32)))
    return tuple(found)


def _round_size(size: float) -> float:
    """Sizes in steps of 8 %, so that banks are made once."""
    return float(1.08 ** round(np.log(size) / np.log(1.08)))


def candidates(
    luma: NDArray[Any],
    pattern: Pattern,
    size: float,
    box: tuple[int, int, int, int],
    most: int,
    least: float = 0.5,
) -> list[Candidate]:
    """Best places for the pattern at about this size (px), centres in box (x0, y0, x1, y1).

    At most `most`, best first, all with an absolute correlation of at least `least`.
    """
    shrink = max(size / WORKING, 1.0)
    bank = _bank(pattern, _round_size(size / shrink))
    margin = int(np.ceil(0.5 * size + 3 * shrink))
    x0, y0 = max(box[0] - margin, 0), max(box[1] - margin, 0)
    part = luma[y0 : box[3] + margin + 1, x0 : box[2] + margin + 1].astype(np.float32)
    if min(part.shape) < 3:
        return []
    if shrink > 1.0:
        rows, columns = (max(round(n / shrink), 1) for n in part.shape)
        fx, fy = part.shape[1] / columns, part.shape[0] / rows
        small = cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA)
        part = np.asarray(small, np.float32)
    else:
        fx = fy = 1.0
    best = np.zeros(part.shape, np.float32)
    which = np.zeros(part.shape, np.int64)
    for k, (_, picture) in enumerate(bank):
        h, w = picture.shape[0] // 2, picture.shape[1] // 2
        grown = cv2.copyMakeBorder(part, h, h, w, w, cv2.BORDER_REFLECT)
        score = cv2.matchTemplate(grown, picture, cv2.TM_CCOEFF_NORMED)
        better = np.abs(score) > np.abs(best)
        best[better] = score[better]
        which[better] = k
    strength = np.nan_to_num(np.abs(best))
    top = cv2.dilate(strength, np.ones((3, 3), np.uint8))
    v, u = np.nonzero((strength >= top) & (strength >= least) & (strength <= 1.001))
    x, y = (u + 0.5) * fx - 0.5 + x0, (v + 0.5) * fy - 0.5 + y0
    reach = shrink
    inside = (x >= box[0] - reach) & (x <= box[2] + reach) & (y >= box[1] - reach)
    inside &= y <= box[3] + reach
    order = [i for i in np.argsort(-strength[v, u]) if inside[i]][:most]
    found = []
    for i in order:
        look = bank[which[v[i], u[i]]][0]
        sign = float(np.sign(best[v[i], u[i]]))
        spread = float(part.std()) * 3.0 + 1.0
        shape = replace(
            look,
            affine=np.diag([fx, fy]) @ look.affine,
            level=float(
                luma[
                    int(np.clip(y[i], 0, luma.shape[0] - 1)),
                    int(np.clip(x[i], 0, luma.shape[1] - 1)),
                ]
            ),
            contrast=sign * spread,
            offset=sign * spread * look.offset,
            blur=1.0,
        )
        found.append(Candidate(np.array([x[i], y[i]]), shape, float(strength[v[i], u[i]])))
    return found
