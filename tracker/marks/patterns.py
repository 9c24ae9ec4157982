"""What finding and fitting needs to know of each pattern: the one place to add a pattern to.

A pattern that one of the models of grey can show needs its name in `tracker.core.types.Pattern`, an
entry here, and its paint in `tracker.planning.sheets`; another grey needs a model of its own as
well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np

from calibration.arrays import Array
from tracker.core.types import Pattern
from tracker.marks.parameters import CROSS, PATCH, QUADRANT, RINGS
from tracker.marks.types import Outline, Shape

Family = Literal["sectors", "cross", "disc", "ring"]
"""What filters over a whole picture can distinguish."""

RING_PROFILES: tuple[tuple[tuple[float, ...], tuple[float, ...]], ...] = (
    ((0.6,), (-1.0,)),
    ((0.75,), (-1.0,)),
    ((0.66, 0.33), (-1.0, 1.0)),
)
"""Rings that are sought: radii of the inner edges in mark units, and changes of grey there."""
RING_BANDS = (*RING_PROFILES, ((0.66, 0.33), (-2.0, 2.0)))
"""Bands from which the fit of a ring starts: its ground may be half as light as its rim."""
_RIGHT_ANGLE = np.pi / 2
_LOOK_BLUR = 0.7
"""Blur in px at which the trial shapes are rendered."""
_SECTOR_OPENINGS = np.radians([30.0, 55.0, 85.0])
"""Openings of the hourglasses that are sought."""


@dataclass(frozen=True)
class PatternModel:
    """How one pattern is sought and fitted."""

    kind: int  # number of the model of its grey
    family: Family | None  # what a whole picture is filtered for; None: it is not sought there
    trial_shapes: tuple[Shape, ...]  # at unit half size, contrast 1, level 0; none: not sought
    outlines: tuple[Outline, ...] = ()  # outer edges tried besides where one is found


def _turn(angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s], [s, c]])


def _unit_affines(turns: int, period: float, tilts: tuple[float, ...], axes: int) -> list[Array]:
    """Unit affines: turned in steps, then tilted by each angle (rad) about axes in steps."""
    angles = np.arange(turns) * period / turns
    found = [_turn(a) for a in angles]
    for tilt in tilts:
        for axis in np.arange(axes) * np.pi / axes:
            squeeze = _turn(axis) @ np.diag([1.0, np.cos(tilt)]) @ _turn(-axis)
            found += [squeeze @ _turn(a) for a in angles]
    return found


def _shapes(pattern: Pattern, affines: list[Array]) -> tuple[Shape, ...]:
    return tuple(Shape(pattern, affine, _LOOK_BLUR, 0.0, 1.0) for affine in affines)


def _quadrants() -> tuple[Shape, ...]:
    edged = _shapes("quadrant", _unit_affines(6, _RIGHT_ANGLE, (0.9, 1.15), 6))
    return edged + tuple(replace(shape, outline="none") for shape in edged)


def _hourglasses() -> tuple[Shape, ...]:
    return tuple(
        replace(shape, outline="flat", offset=0.5, opening=opening)
        for shape in _shapes("hourglass", _unit_affines(12, np.pi, (), 1))
        for opening in _SECTOR_OPENINGS
    )


_ELLIPSES = _unit_affines(1, _RIGHT_ANGLE, (0.8, 1.15), 8)


def _rings() -> tuple[Shape, ...]:
    return tuple(
        replace(shape, radii=radii, steps=steps)
        for shape in _shapes("ring", _ELLIPSES)
        for radii, steps in RING_PROFILES
    )


PATTERN_MODELS: Mapping[Pattern, PatternModel] = MappingProxyType(
    {
        "quadrant": PatternModel(QUADRANT, "sectors", _quadrants(), ("square", "none")),
        "hourglass": PatternModel(QUADRANT, "sectors", _hourglasses(), ("disc", "none")),
        "disc": PatternModel(RINGS, "disc", _shapes("disc", _ELLIPSES)),
        "ring": PatternModel(RINGS, "ring", _rings()),
        "cross": PatternModel(
            CROSS, "cross", _shapes("cross", _unit_affines(8, _RIGHT_ANGLE, (0.9,), 4))
        ),
        "patch": PatternModel(PATCH, None, ()),
    }
)
"""How each pattern is sought and fitted."""
