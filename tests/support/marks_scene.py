"""Pictures of painted marks by fine area sampling: knows nothing of the program's own model.

A picture is the painted plane looked up at S x S points in every pixel (through the exact
plane-to-picture homography), smeared over the exposure, blurred by a Gaussian, averaged to pixels.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

Array = NDArray[np.float64]
S = 8  # samples a pixel and axis
Paint = Callable[[Array, Array, float], Array]
"""Coverage (-1..1 or 0..1) at mark coordinates u, v; the last argument is the softening width of
an edge in mark units (one sample), which makes point sampling into area sampling."""


def _step(d: Array, w: float) -> Array:
    return np.clip(d / w + 0.5, 0.0, 1.0)


def disc(u: Array, v: Array, w: float) -> Array:
    return _step(1.0 - np.hypot(u, v), w)


def quadrant(u: Array, v: Array, w: float) -> Array:
    """Light +1 and dark 0 sectors in a disc on a ground of 1/2."""
    sign = (2 * _step(u, w) - 1) * (2 * _step(v, w) - 1)
    return 0.5 + 0.5 * sign * disc(u, v, w)


def checker(u: Array, v: Array, w: float) -> Array:
    """The same in a square."""
    sign = (2 * _step(u, w) - 1) * (2 * _step(v, w) - 1)
    return 0.5 + 0.5 * sign * _step(1.0 - np.maximum(abs(u), abs(v)), w)


def corner(u: Array, v: Array, w: float) -> Array:
    """Without an outer edge, as inside a chessboard."""
    return 0.5 + 0.5 * (2 * _step(u, w) - 1) * (2 * _step(v, w) - 1)


def hourglass(u: Array, v: Array, w: float) -> Array:
    """Two wedges of 60 degrees along u with flat ends, tips at the centre."""
    slope = np.tan(np.radians(30))
    return _step((abs(u) * slope - abs(v)) * np.cos(np.radians(30)), w) * _step(1.0 - abs(u), w)


def ring(u: Array, v: Array, w: float) -> Array:
    r = np.hypot(u, v)
    return _step(1.0 - r, w) - _step(0.68 - r, w) + _step(0.36 - r, w)


def cross(u: Array, v: Array, w: float) -> Array:
    a = _step(0.2 - abs(u), w) * _step(1.0 - abs(v), w)
    b = _step(0.2 - abs(v), w) * _step(1.0 - abs(u), w)
    return np.maximum(a, b)


PAINTS: dict[str, Paint] = {
    "quadrant": quadrant,
    "hourglass": hourglass,
    "disc": disc,
    "ring": ring,
    "cross": cross,
}


@dataclass(frozen=True)
class View:
    """How a mark is seen: centre in the picture, 3x3 homography of mark coordinates to the picture
    relative to that centre, blur, motion over the exposure."""

    centre: tuple[float, float]
    homography: Array
    blur: float = 0.8
    motion: tuple[float, float] = (0.0, 0.0)


def turned(size: float, angle: float = 0.0, tilt: float = 0.0, axis: float = 0.0) -> Array:
    """Homography of a mark of this diameter turned in its plane, then tilted (affine)."""
    c, s = np.cos(angle), np.sin(angle)
    R = np.array([[c, -s], [s, c]])
    c, s = np.cos(axis), np.sin(axis)
    T = np.array([[c, -s], [s, c]])
    H = np.eye(3)
    H[:2, :2] = 0.5 * size * T @ np.diag([1.0, np.cos(tilt)]) @ T.T @ R
    return H


def photographed(size: float, angle: float, tilt: float, axis: float, focal: float) -> Array:
    """The same through a pinhole of this focal length in px, on the optical axis."""
    c, s = np.cos(axis), np.sin(axis)
    T = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    ct, st = np.cos(tilt), np.sin(tilt)
    X = np.array([[1, 0, 0], [0, ct, -st], [0, st, ct]])
    ca, sa = np.cos(angle), np.sin(angle)
    A = np.array([[ca, -sa, 0], [sa, ca, 0], [0, 0, 1.0]])
    R = T @ X @ T.T @ A
    radius = 0.5 * size / focal  # at unit distance
    H = np.column_stack([radius * R[:, 0], radius * R[:, 1], [0, 0, 1.0]])
    H = np.diag([focal, focal, 1.0]) @ H
    return H / H[2, 2]


def coverage(paint: Paint, view: View, shape: tuple[int, int]) -> Array:
    """Noise-free picture of the paint, 0 dark to 1 light."""
    rows, columns = shape
    pad = int(np.ceil(5 * view.blur + 0.5 * np.hypot(*view.motion))) + 1
    x = (np.arange((columns + 2 * pad) * S) + 0.5) / S - 0.5 - pad - view.centre[0]
    y = (np.arange((rows + 2 * pad) * S) + 0.5) / S - 0.5 - pad - view.centre[1]
    H = np.linalg.inv(view.homography)
    scale = np.sqrt(abs(np.linalg.det(view.homography[:2, :2])))
    length = np.hypot(*view.motion)
    steps = 1 if length == 0 else max(int(np.ceil(length * 4)), 8)
    total = np.zeros((len(y), len(x)))
    for t in (np.arange(steps) + 0.5) / steps - 0.5:
        X, Y = (x - t * view.motion[0])[None, :], (y - t * view.motion[1])[:, None]
        D = H[2, 0] * X + H[2, 1] * Y + H[2, 2]
        u, v = (H[0, 0] * X + H[0, 1] * Y + H[0, 2]) / D, (H[1, 0] * X + H[1, 1] * Y + H[1, 2]) / D
        total += paint(u, v, 1.0 / (S * scale))
    total /= steps
    if view.blur > 0:
        for axis in (0, 1):
            total = gaussian_filter1d(total, view.blur * S, axis=axis, mode="nearest", truncate=5.0)
    fine = total[pad * S : -pad * S, pad * S : -pad * S]
    return np.asarray(fine.reshape(rows, S, columns, S).mean(axis=(1, 3)))


def photograph(
    clean: Array, noise: float, rng: np.random.Generator, bits: int = 8
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """A picture in grey levels with white noise, rounded and clipped."""
    grey = np.rint(clean + noise * rng.standard_normal(clean.shape))
    return np.clip(grey, 0, 2**bits - 1).astype(np.uint8 if bits == 8 else np.uint16)


def bound(paint: Paint, view: View, shape: tuple[int, int], contrast: float, noise: float) -> float:
    """Cramer-Rao bound of the position, root mean square of x and y, from difference pictures.

    Rounding adds 1/12 grey² to the noise. Only the position is taken as unknown: by the marks'
    symmetry the other parameters cost nothing.
    """
    h = 0.05
    d = []
    for k in range(2):
        step = np.eye(2)[k] * h
        a, b = (
            coverage(
                paint,
                View(
                    (view.centre[0] + g * step[0], view.centre[1] + g * step[1]),
                    view.homography,
                    view.blur,
                    view.motion,
                ),
                shape,
            )
            for g in (1, -1)
        )
        d.append(contrast * (a - b) / (2 * h))
    F = np.array([[np.sum(p * q) for q in d] for p in d]) / (noise**2 + 1 / 12)
    return float(np.sqrt(np.trace(np.linalg.inv(F)) / 2))
