"""Shapes to the parameter rows of the compiled fit, and back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks.image_model import (
    CONSTANTS,
    CROSS,
    DISC,
    FLAT,
    NONE,
    PARAMETERS,
    PATCH,
    QUADRANT,
    RINGS,
    SQUARE,
)
from tracker.marks.types import Shape

PIXEL = 1.0 / 12.0
"""Second moment of a pixel's own area, px²."""
HOLD = 1e20
"""Precision of a parameter that is not to move."""

_KIND = {
    "quadrant": QUADRANT,
    "hourglass": QUADRANT,
    "disc": RINGS,
    "ring": RINGS,
    "cross": CROSS,
    "patch": PATCH,
}
_OUTLINE = {"none": NONE, "disc": DISC, "square": SQUARE, "flat": FLAT}


@dataclass(frozen=True)
class Rows:
    """Several marks as the compiled fit takes them; columns: `tracker.marks.image_model`."""

    kinds: NDArray[np.int64]
    p: Array  # (n, PARAMETERS)
    q: Array  # (n, CONSTANTS)
    templates: Array  # of all patches, one behind the other
    template_at: NDArray[np.int64]  # (n, 2) from, to

    def take(self, index: NDArray[np.int64], p: Array) -> Rows:
        """These marks only, with other parameters."""
        return Rows(self.kinds[index], p, self.q[index], self.templates, self.template_at[index])

    def with_parameters(self, p: Array) -> Rows:
        """The same marks with other parameters."""
        return Rows(self.kinds, p, self.q, self.templates, self.template_at)

    def moving(self, position: Array, motion: Array | None) -> Rows:
        """The same marks at these positions (n, 2) px, moving by (n, 2) px in the exposure."""
        p, q = self.p.copy(), self.q.copy()
        p[:, :2] = position
        if motion is not None:
            q[:, 2:4] = motion
            length = np.hypot(q[:, 2], q[:, 3])
            # two points for every 2.5 s of the path: the blurred edge is smooth on that scale
            q[:, 4] = np.where(length < 0.3, 0, np.ceil(length / (2.5 * p[:, 6])))
        return Rows(self.kinds, p, q, self.templates, self.template_at)


def _extras(shape: Shape, p: Array, q: Array) -> None:
    if shape.pattern in ("quadrant", "hourglass"):
        p[11], p[12] = shape.offset, shape.opening
        q[5] = _OUTLINE[shape.outline]
    elif shape.pattern == "ring":
        for i, (radius, step) in enumerate(zip(shape.radii, shape.steps, strict=True)):
            p[11 + 2 * i], p[12 + 2 * i] = radius, step
        q[6] = len(shape.radii)
    elif shape.pattern == "cross":
        p[11] = shape.bar
    elif shape.template is not None:
        n = len(shape.template)
        q[6], q[7] = n, (n - 1) / 2 / TEMPLATE_REACH


TEMPLATE_REACH = 1.5
"""A patch's template covers this many mark units each way."""


def pack(shapes: Sequence[Shape], position: Array, motion: Array | None) -> Rows:
    """Rows of these shapes at these positions (n, 2) px, moving by (n, 2) px in the exposure."""
    n = len(shapes)
    p, q = np.zeros((n, PARAMETERS)), np.zeros((n, CONSTANTS))
    templates: list[Array] = []
    at = np.zeros((n, 2), np.int64)
    length = 0
    for i, shape in enumerate(shapes):
        (a, b), (c, d) = shape.affine.tolist()
        det = a * d - b * c
        s = math.sqrt(shape.blur**2 + PIXEL)
        p[i, 2:11] = (
            d / det,
            -b / det,
            -c / det,
            a / det,
            s,
            shape.level,
            shape.contrast,
            shape.gradient[0],
            shape.gradient[1],
        )
        q[i, :2] = shape.perspective
        _extras(shape, p[i], q[i])
        if shape.template is not None:
            templates.append(shape.template.astype(float).ravel())
            at[i] = length, length + templates[-1].size
            length = int(at[i, 1])
    kinds = np.array([_KIND[shape.pattern] for shape in shapes], np.int64)
    joined = np.concatenate(templates) if templates else np.zeros(0)
    return Rows(kinds, p, q, joined, at).moving(position, motion)


def unpack(shape: Shape, p: Array, noise: float, gradient_u: float = float("inf")) -> Shape:
    """The shape that the parameters p describe; what is no parameter is kept from `shape`."""
    W = p[2:6].reshape(2, 2)
    extra: dict[str, object] = {}
    if shape.pattern in ("quadrant", "hourglass"):
        extra = {"offset": float(p[11]), "opening": float(p[12])}
    elif shape.pattern == "ring":
        count = len(shape.radii)
        extra = {
            "radii": tuple(float(p[11 + 2 * i]) for i in range(count)),
            "steps": tuple(float(p[12 + 2 * i]) for i in range(count)),
        }
    elif shape.pattern == "cross":
        extra = {"bar": float(p[11])}
    return replace(
        shape,
        affine=np.asarray(np.linalg.inv(W), float),
        blur=math.sqrt(max(float(p[6]) ** 2 - PIXEL, 0.0)),
        level=float(p[7]),
        contrast=float(p[8]),
        gradient=p[9:11].copy(),
        noise=noise,
        gradient_u=gradient_u,
        **extra,  # type: ignore[arg-type]
    )
