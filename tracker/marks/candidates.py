"""Where in a picture something looks like a mark: correlation with a bank of small renderings.

The picture is brought to the scale at which the mark is about 16 px across; there the pattern,
turned and tilted in steps, is correlated (zero mean, normalised), so lighting doesn't matter and
both polarities are found at once. All renderings are correlated in one matrix product.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import Pattern
from tracker.marks.image_model import model_grey
from tracker.marks.options import MARKS
from tracker.marks.packing import pack_shapes
from tracker.marks.patterns import PATTERN_MODELS
from tracker.marks.types import Shape

_AT_ONCE = 4096
"""Places whose surroundings are laid out in memory together."""
_SPREADS = 3.0
"""Contrast that a fit starts from, over the standard deviation of the window."""


@dataclass(frozen=True)
class Candidate:
    """A place that looks like the pattern."""

    position: Array  # (2,) px
    shape: Shape
    score: float  # absolute normalised correlation, 0..1


@dataclass(frozen=True)
class _TemplateBank:
    """Renderings on a common square window, each zero outside a window of its own."""

    shapes: tuple[Shape, ...]
    templates: NDArray[np.float32]  # (n, (2 half + 1)²) mean 0 and sum of squares 1
    half: int
    windows: tuple[tuple[int, int], ...]  # half width and height of the windows there are
    window_of: NDArray[np.int64]  # (n,)


@lru_cache(maxsize=64)
def _template_bank(pattern: Pattern, size: float) -> _TemplateBank:
    shapes, pictures = [], []
    for unit in PATTERN_MODELS[pattern].trial_shapes:
        shape = replace(unit, affine=unit.affine * 0.5 * size)
        reach = np.ceil(np.abs(shape.affine).sum(axis=1).clip(2.0, 0.5 * size) + 2.0)
        w, h = int(reach[0]), int(reach[1])
        row = pack_shapes([shape], np.array([[w, h]], float), None).row(0)
        y, x = np.mgrid[: 2 * h + 1, : 2 * w + 1]
        grid = np.stack([x.ravel(), y.ravel(), 0 * x.ravel()]).astype(float)
        picture = model_grey(row, grid)
        picture -= picture.mean()
        picture /= np.linalg.norm(picture)
        shapes.append(shape)
        pictures.append(picture.reshape(y.shape))
    sizes = [(p.shape[1] // 2, p.shape[0] // 2) for p in pictures]
    half = max(max(each) for each in sizes)
    squares = [
        np.pad(p, ((half - h, half - h), (half - w, half - w)))
        for p, (w, h) in zip(pictures, sizes, strict=True)
    ]
    windows = tuple(dict.fromkeys(sizes))
    return _TemplateBank(
        tuple(shapes),
        np.array(squares, np.float32).reshape(len(squares), -1),
        half,
        windows,
        np.array([windows.index(each) for each in sizes], np.int64),
    )


def _bank_size(size: float) -> float:
    """Sizes in steps, so that banks are made once."""
    return float(MARKS.size_step ** round(np.log(size) / np.log(MARKS.size_step)))


def find_candidates(
    luma: NDArray[Any],
    pattern: Pattern,
    size: float,
    box: tuple[int, int, int, int],
    most: int,
    least: float = MARKS.candidate_score,
) -> list[Candidate]:
    """Best places for the pattern at about this size (px), centres in box (x0, y0, x1, y1).

    At most `most`, best first, all with an absolute correlation of at least `least`.
    """
    shrink = max(size / MARKS.working_size, 1.0)
    bank = _template_bank(pattern, _bank_size(size / shrink))
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
    left, right = ((edge + 0.5 - x0) / fx - 0.5 for edge in (box[0], box[2]))
    top, bottom = ((edge + 0.5 - y0) / fy - 0.5 for edge in (box[1], box[3]))
    u0, v0 = max(int(left) - 2, 0), max(int(top) - 2, 0)
    best, which = _best_correlation(
        part,
        bank,
        (u0, v0, min(int(right) + 4, part.shape[1]), min(int(bottom) + 4, part.shape[0])),
    )
    response = np.abs(best)
    around = cv2.dilate(response, np.ones((3, 3), np.uint8))
    v, u = np.nonzero((response >= around) & (response >= least))
    x, y = (u + u0 + 0.5) * fx - 0.5 + x0, (v + v0 + 0.5) * fy - 0.5 + y0
    reach = shrink
    inside = (x >= box[0] - reach) & (x <= box[2] + reach) & (y >= box[1] - reach)
    inside &= y <= box[3] + reach
    order = [i for i in np.argsort(-response[v, u]) if inside[i]][:most]
    found = []
    for i in order:
        found_shape = bank.shapes[which[v[i], u[i]]]
        sign = float(np.sign(best[v[i], u[i]]))
        spread = float(part.std()) * _SPREADS + 1.0
        shape = replace(
            found_shape,
            affine=np.diag([fx, fy]) @ found_shape.affine,
            level=float(
                luma[
                    int(np.clip(y[i], 0, luma.shape[0] - 1)),
                    int(np.clip(x[i], 0, luma.shape[1] - 1)),
                ]
            ),
            contrast=sign * spread,
            offset=sign * spread * found_shape.offset,
            blur=1.0,
        )
        found.append(Candidate(np.array([x[i], y[i]]), shape, float(response[v[i], u[i]])))
    return found


def _best_correlation(
    picture: NDArray[np.float32], bank: _TemplateBank, box: tuple[int, int, int, int]
) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """The normalised correlation, of greatest absolute value, of any rendering centred on each
    pixel of a box (left, top, right, bottom) of the picture, which is mirrored beyond its edges;
    and which rendering it is.
    """
    left, top, right, bottom = box
    half, side = bank.half, 2 * bank.half + 1
    grown = cv2.copyMakeBorder(
        picture - picture.mean(), half, half, half, half, cv2.BORDER_REFLECT
    )[top : bottom + 2 * half, left : right + 2 * half]
    rows, columns = bottom - top, right - left
    inverse = np.empty((len(bank.windows), rows, columns), np.float32)
    for k, (w, h) in enumerate(bank.windows):
        shape, count = (2 * w + 1, 2 * h + 1), (2 * w + 1) * (2 * h + 1)
        mean = cv2.boxFilter(grown, cv2.CV_64F, shape)[half : half + rows, half : half + columns]
        square = cv2.sqrBoxFilter(grown, cv2.CV_64F, shape)[
            half : half + rows, half : half + columns
        ]
        energy = count * (square - mean * mean)
        inverse[k] = np.where(
            energy > MARKS.flat_energy, 1.0 / np.sqrt(np.maximum(energy, MARKS.flat_energy)), 0.0
        )
    around = sliding_window_view(grown, (side, side))
    best, which = np.empty((rows, columns), np.float32), np.empty((rows, columns), np.int64)
    step = max(_AT_ONCE // max(columns, 1), 1)
    for first in range(0, rows, step):
        part = slice(first, min(first + step, rows))
        laid = around[part].reshape(-1, side * side)
        score = bank.templates @ laid.T
        score *= inverse[:, part].reshape(len(inverse), -1)[bank.window_of]
        which[part] = np.argmax(np.abs(score), axis=0).reshape(-1, columns)
        best[part] = np.take_along_axis(score, which[part].reshape(1, -1), axis=0).reshape(
            -1, columns
        )
    return best, which
