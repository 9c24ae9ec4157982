"""Shapes to the rows of the compiled fit, and back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.marks.options import MARKS
from tracker.marks.parameters import (
    BAR_HALF,
    CENTRE_X,
    CENTRE_Y,
    CONSTANTS,
    CONTRAST,
    CROSS,
    DISC,
    EDGE_SD,
    FLAT,
    LEVEL,
    LIGHT_X,
    LIGHT_Y,
    MOTION_X,
    MOTION_Y,
    NONE,
    OUTLINE,
    PARAMETERS,
    PATH_POINTS,
    PERSPECTIVE_X,
    PERSPECTIVE_Y,
    QUADRANT,
    RING_EDGES,
    RING_RADIUS,
    RING_STEP,
    RING_STRIDE,
    RINGS,
    SECTOR_OFFSET,
    SECTOR_OPENING,
    SQUARE,
    TEMPLATE_SCALE,
    TEMPLATE_SIDE,
    W_UX,
    W_VY,
)
from tracker.marks.patterns import PATTERN_MODELS
from tracker.marks.types import Shape

PIXEL = 1.0 / 12.0
"""Second moment of a pixel's own area, px²."""
HOLD = 1e20
"""Precision of a parameter that is not to move."""
PLACE = slice(CENTRE_X, CENTRE_Y + 1)
AFFINE = slice(W_UX, W_VY + 1)
LIGHT = slice(LIGHT_X, LIGHT_Y + 1)
GREYS = slice(LEVEL, CONTRAST + 1)
_OUTLINE = {"none": NONE, "disc": DISC, "square": SQUARE, "flat": FLAT}


class MarkRow(NamedTuple):
    """One mark as the compiled fit takes it."""

    kind: int
    p: Array  # (PARAMETERS,)
    q: Array  # (CONSTANTS,)
    template: Array  # of a patch; empty for other kinds


class MarkRows(NamedTuple):
    """n marks as the compiled fit takes them; places: `tracker.marks.parameters`."""

    kinds: NDArray[np.int64]  # (n,)
    p: Array  # (n, PARAMETERS)
    q: Array  # (n, CONSTANTS)
    templates: Array  # of all patches, one behind the other
    template_at: NDArray[np.int64]  # (n, 2) from, to

    def row(self, i: int) -> MarkRow:
        """One of them."""
        start, end = self.template_at[i]
        return MarkRow(int(self.kinds[i]), self.p[i], self.q[i], self.templates[start:end])

    def part(self, a: int, b: int) -> MarkRows:
        """Marks a to b, b not included, in the same memory."""
        return MarkRows(
            self.kinds[a:b], self.p[a:b], self.q[a:b], self.templates, self.template_at[a:b]
        )

    def take(self, index: NDArray[np.int64], p: Array) -> MarkRows:
        """These marks only, with other parameters."""
        return MarkRows(
            self.kinds[index], p, self.q[index], self.templates, self.template_at[index]
        )

    def with_parameters(self, p: Array) -> MarkRows:
        """The same marks with other parameters."""
        return MarkRows(self.kinds, p, self.q, self.templates, self.template_at)

    def moving(self, position: Array, motion: Array | None) -> MarkRows:
        """The same marks at these positions (n, 2) px, moving by (n, 2) px in the exposure."""
        p, q = self.p.copy(), self.q.copy()
        p[:, PLACE] = position
        if motion is not None:
            q[:, MOTION_X], q[:, MOTION_Y] = motion[:, 0], motion[:, 1]
            length = np.hypot(q[:, MOTION_X], q[:, MOTION_Y])
            # the blurred edge is smooth on the scale of these steps
            steps = np.ceil(length / (MARKS.path_step * p[:, EDGE_SD]))
            q[:, PATH_POINTS] = np.where(length < MARKS.blurred_path, 0, steps)
        return MarkRows(self.kinds, p, q, self.templates, self.template_at)


TEMPLATE_REACH = 1.5
"""A patch's template covers this many mark units each way."""


def _pack_own(kind: int, shape: Shape, p: Array, q: Array) -> None:
    """What a kind has for itself."""
    if kind == QUADRANT:
        p[SECTOR_OFFSET], p[SECTOR_OPENING] = shape.offset, shape.opening
        q[OUTLINE] = _OUTLINE[shape.outline]
    elif kind == RINGS:
        for i, (radius, step) in enumerate(zip(shape.radii, shape.steps, strict=True)):
            p[RING_RADIUS + RING_STRIDE * i], p[RING_STEP + RING_STRIDE * i] = radius, step
        q[RING_EDGES] = len(shape.radii)
    elif kind == CROSS:
        p[BAR_HALF] = shape.bar
    elif shape.template is not None:
        n = len(shape.template)
        q[TEMPLATE_SIDE], q[TEMPLATE_SCALE] = n, (n - 1) / 2 / TEMPLATE_REACH


def pack_shapes(shapes: Sequence[Shape], position: Array, motion: Array | None) -> MarkRows:
    """Rows of these shapes at these positions (n, 2) px, moving by (n, 2) px in the exposure."""
    n = len(shapes)
    p, q = np.zeros((n, PARAMETERS)), np.zeros((n, CONSTANTS))
    kinds = np.array([PATTERN_MODELS[shape.pattern].kind for shape in shapes], np.int64)
    templates: list[Array] = []
    at = np.zeros((n, 2), np.int64)
    length = 0
    for i, shape in enumerate(shapes):
        (a, b), (c, d) = shape.affine.tolist()
        det = a * d - b * c
        p[i, AFFINE] = d / det, -b / det, -c / det, a / det
        p[i, EDGE_SD] = math.sqrt(shape.blur**2 + PIXEL)
        p[i, LEVEL], p[i, CONTRAST], p[i, LIGHT] = shape.level, shape.contrast, shape.gradient
        q[i, PERSPECTIVE_X], q[i, PERSPECTIVE_Y] = shape.perspective
        _pack_own(int(kinds[i]), shape, p[i], q[i])
        if shape.template is not None:
            templates.append(shape.template.astype(float).ravel())
            at[i] = length, length + templates[-1].size
            length = int(at[i, 1])
    joined = np.concatenate(templates) if templates else np.zeros(0)
    return MarkRows(kinds, p, q, joined, at).moving(position, motion)


def unpack_shape(shape: Shape, p: Array, noise: float, gradient_u: float = float("inf")) -> Shape:
    """The shape that the parameters p describe; what is no parameter is kept from `shape`."""
    kind, own = PATTERN_MODELS[shape.pattern].kind, shape
    if kind == QUADRANT:
        own = replace(own, offset=float(p[SECTOR_OFFSET]), opening=float(p[SECTOR_OPENING]))
    elif kind == RINGS:
        places = RING_STRIDE * np.arange(len(shape.radii))
        radii, steps = p[RING_RADIUS + places].tolist(), p[RING_STEP + places].tolist()
        own = replace(own, radii=tuple(radii), steps=tuple(steps))
    elif kind == CROSS:
        own = replace(own, bar=float(p[BAR_HALF]))
    return replace(
        own,
        affine=np.asarray(np.linalg.inv(p[AFFINE].reshape(2, 2)), float),
        blur=math.sqrt(max(float(p[EDGE_SD]) ** 2 - PIXEL, 0.0)),
        level=float(p[LEVEL]),
        contrast=float(p[CONTRAST]),
        gradient=p[LIGHT].copy(),
        noise=noise,
        gradient_u=gradient_u,
    )
