"""How near to the Cramer-Rao bound marks are measured, beside general-purpose libraries.

    python tests/bench/marks.py [views] [pictures]

Rendered marks: contrast 120, random sub-pixel place, turn, tilt up to 45 degrees, blur 0.6 to 1.2
px, start 0.3 px off. The mark is located in one picture, each further one is measured with
the shape found in the one before, as in a film; of each view the first 6 are not counted, then
come `pictures` (default 10), of `views` views a row (default 60). "ours" is the root mean square
error of x and y over the bound of one picture, "squares" the mean square of the errors over their
claimed covariance; each with its sampling error. The libraries measure the same pictures and their
errors are over ours; those that compare two pictures get the first picture of the same film, as
noisy as the others. "nearest" is the best of them, with the sampling error of that ratio.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.registration import phase_cross_correlation

from tests.support import marks_scene as scene
from tracker.marks import Picture, locate_mark, measure_marks

CONTRAST, DARK = 120.0, 60.0
WARM = 6
Array = scene.Array


def corner(ref: Array, cur: Array, c: Array, start: Array, half: int) -> Array:
    inner = max(int(half / 1.6), 3)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-4)
    point = start.reshape(1, 1, 2).astype(np.float32)
    return np.asarray(cv2.cornerSubPix(cur, point, (inner, inner), (-1, -1), stop)[0, 0], float)


def flow(ref: Array, cur: Array, c: Array, start: Array, half: int) -> Array:
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
    size = (2 * half + 1, 2 * half + 1)
    at = c.reshape(1, 1, 2).astype(np.float32)
    found, _, _ = cv2.calcOpticalFlowPyrLK(
        ref, cur, at, None, winSize=size, maxLevel=1, criteria=stop
    )
    return np.asarray(found[0, 0], float)


def _cut(ref: Array, c: Array, half: int) -> tuple[Array, Array]:
    i = np.rint(c).astype(int)
    return ref[i[1] - half : i[1] + half + 1, i[0] - half : i[0] + half + 1], i - half


def ecc(ref: Array, cur: Array, c: Array, start: Array, half: int) -> Array:
    part, corner_ = _cut(ref, c, half)
    W = np.eye(2, 3, dtype=np.float32)
    W[:, 2] = corner_
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 100, 1e-7)
    try:
        _, W = cv2.findTransformECC(part, cur, W, cv2.MOTION_TRANSLATION, stop, None, 1)
    except cv2.error:
        return np.full(2, np.nan)
    return np.asarray(c + W[:, 2] - corner_, float)


def template(ref: Array, cur: Array, c: Array, start: Array, half: int) -> Array:
    part, corner_ = _cut(ref, c, half)
    R = cv2.matchTemplate(cur, part, cv2.TM_CCOEFF_NORMED)
    _, _, _, (x, y) = cv2.minMaxLoc(R)
    if not (0 < x < R.shape[1] - 1 and 0 < y < R.shape[0] - 1):
        return np.full(2, np.nan)
    a, b, d = R[y, x - 1 : x + 2]
    e, _, g = R[y - 1 : y + 2, x]
    peak = np.array([x + 0.5 * (a - d) / (a - 2 * b + d), y + 0.5 * (e - g) / (e - 2 * b + g)])
    return np.asarray(c + peak - corner_)


def phase(ref: Array, cur: Array, c: Array, start: Array, half: int) -> Array:
    a, corner_ = _cut(ref, c, half)
    x, y = corner_
    b = cur[y : y + 2 * half + 1, x : x + 2 * half + 1]
    shift = phase_cross_correlation(a, b, upsample_factor=100, normalization=None)[0]
    return np.asarray(c - shift[::-1])


LIBRARIES: dict[str, Callable[[Array, Array, Array, Array, int], Array]] = {
    "cornerSubPix": corner,
    "PyrLK": flow,
    "ECC": ecc,
    "template": template,
    "phase corr.": phase,
}


@dataclass
class Row:
    """Errors of one pattern, size and noise: one entry a view, of the pictures that we measured."""

    ours: list[Array] = field(default_factory=list)  # (m, 2) over the bound
    squares: list[Array] = field(default_factory=list)  # (m,) over the claimed covariance, mean 1
    theirs: dict[str, list[Array]] = field(default_factory=lambda: {k: [] for k in LIBRARIES})
    bounds: list[float] = field(default_factory=list)  # px


def spread(figure: Callable[[NDArray[np.int64]], float], views: int) -> float:
    """Sampling error of a figure of some of the views: jackknife over views, as what is learnt of a
    view is handed from picture to picture.
    """
    without = np.array([figure(np.delete(np.arange(views), i)) for i in range(views)])
    return float(np.sqrt((views - 1) * np.mean((without - without.mean()) ** 2)))


def report(pattern: str, size: int, noise: float, found: Row) -> None:
    """Prints the line of a row."""
    ours = found.ours
    views = len(ours)
    every = np.arange(views)

    def rms(some: NDArray[np.int64]) -> float:
        return float(np.sqrt(np.mean(np.concatenate([ours[i] for i in some]) ** 2)))

    def square(some: NDArray[np.int64]) -> float:
        return float(np.mean(np.concatenate([found.squares[i] for i in some])))

    def over(name: str, some: NDArray[np.int64]) -> float:
        """A library's error over ours, on the pictures that both measured."""
        a = np.concatenate([ours[i] for i in some])
        b = np.concatenate([found.theirs[name][i] for i in some])
        both = np.isfinite(b[:, 0])
        return float(np.sqrt(np.mean(b[both] ** 2) / np.mean(a[both] ** 2)))

    ratios = {name: over(name, every) for name in LIBRARIES}
    nearest = min(ratios, key=ratios.__getitem__)
    u = spread(lambda some: over(nearest, some), views)
    print(
        f"{pattern:9s}{size:3d}{noise:3.0f}{1e3 * np.mean(found.bounds):7.1f} "
        f"{rms(every):7.3f}{spread(rms, views):6.3f} "
        f"{square(every):7.3f}{spread(square, views):6.3f} "
        f"{ratios[nearest]:7.2f}{u:5.2f} " + " ".join(f"{r:12.2f}" for r in ratios.values()),
        flush=True,
    )


def row(pattern: str, size: int, views: int, pictures: int, rng: np.random.Generator) -> None:
    """Measure one pattern and size at all noise levels; prints one line a level."""
    rows = {n: Row() for n in (2.0, 4.0, 8.0)}
    bad = tries = unfound = 0
    spent: list[float] = []
    paint = scene.PAINTS[pattern]
    for _ in range(views):
        n = size + 26
        H = scene.turned(
            size, rng.uniform(0, 2 * np.pi), rng.uniform(0, np.pi / 4), rng.uniform(0, np.pi)
        )
        c0, c = n // 2 + rng.uniform(-0.5, 0.5, 2), n // 2 + rng.uniform(-0.5, 0.5, 2)
        blur = rng.uniform(0.6, 1.2)
        view = scene.View(tuple(c), H, blur)
        cover = scene.coverage(paint, view, (n, n))
        before = scene.coverage(paint, scene.View(tuple(c0), H, blur), (n, n))
        unit = scene.bound(paint, view, (n, n), CONTRAST, np.sqrt(1 - 1 / 12))
        for noise, found in rows.items():
            bound = unit * np.sqrt(noise**2 + 1 / 12)
            first = scene.photograph(DARK + CONTRAST * cover, noise, rng)
            seen = locate_mark(Picture(first, 255.0), pattern, c, size)  # type: ignore[arg-type]
            shape = seen.shape
            unfound += not seen.ok
            if not seen.ok:
                continue
            ref = scene.photograph(DARK + CONTRAST * before, noise, rng)
            ours, squares = [], []
            theirs: dict[str, list[Array]] = {k: [] for k in LIBRARIES}
            for i in range(-WARM, pictures):
                cur = scene.photograph(DARK + CONTRAST * cover, noise, rng)
                at = c + rng.normal(0, 0.3, 2)
                began = time.thread_time()
                fix = measure_marks(Picture(cur, 255.0), [shape], at[None])[0]
                spent.append(time.thread_time() - began)
                shape = fix.shape
                if i < 0:
                    continue
                tries += 1
                bad += not fix.ok
                if not fix.ok:
                    continue
                e = fix.position - c
                ours.append(e / bound)
                squares.append(e @ np.linalg.solve(fix.covariance, e) / 2)
                for name, method in LIBRARIES.items():
                    theirs[name].append((method(ref, cur, c0, at, size // 2 + 3) - c) / bound)
            if ours:
                found.ours.append(np.array(ours))
                found.squares.append(np.array(squares))
                found.bounds.append(bound)
                for name in LIBRARIES:
                    found.theirs[name].append(np.array(theirs[name]))
    for noise, found in rows.items():
        report(pattern, size, noise, found)
    print(
        f"  not located {unfound}; not ok {bad} of {tries}; "
        f"{1e6 * np.median(spent):.0f} us a call of one mark (CPU)"
    )


def floor(pattern: str, size: int, rng: np.random.Generator, phases: int = 12) -> float:
    """RMS error (px) without noise but rounding, over sub-pixel phases."""
    errors = []
    n = size + 26
    H = scene.turned(size, 0.3, 0.5, 0.9)
    for _ in range(phases):
        c = n // 2 + rng.uniform(-0.5, 0.5, 2)
        view = scene.View(tuple(c), H, 0.8)
        cover = scene.coverage(scene.PAINTS[pattern], view, (n, n))
        picture = scene.photograph(DARK + CONTRAST * cover, 0.0, rng)
        start = c + rng.normal(0, 0.3, 2)
        shape = locate_mark(Picture(picture, 255.0), pattern, start, size).shape  # type: ignore[arg-type]
        fix = measure_marks(Picture(picture, 255.0), [shape], start[None])[0]
        errors.append(fix.position - c)
    return float(np.sqrt(np.mean(np.square(errors))))


def main() -> None:
    views = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    pictures = int(sys.argv[2]) if len(sys.argv) > 2 else 10
    rng = np.random.default_rng(7)
    names = " ".join(f"{k:>12s}" for k in LIBRARIES)
    print(f"pattern size noise mpx  ours   +-    squares   +-   nearest  +- {names}")
    for pattern in ("quadrant", "disc", "ring", "cross"):
        for size in (10, 20, 40):
            row(pattern, size, views, pictures, rng)
            print(f"  without noise: {1e3 * floor(pattern, size, rng):.2f} mpx")


if __name__ == "__main__":
    main()
