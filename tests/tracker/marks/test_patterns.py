"""Every pattern that a record may name has a model, and its shapes survive the compiled rows.

The list of patterns is the record's (`docs/record.md`).
"""

from __future__ import annotations

import numpy as np
import pytest

from tracker.core.types import PATTERNS, Pattern
from tracker.marks.packing import pack_shapes, unpack_shape
from tracker.marks.patterns import PATTERN_MODELS

SOUGHT: tuple[Pattern, ...] = ("quadrant", "hourglass", "disc", "ring", "cross")
"""Patterns that are found by their look; a patch is wherever its pick is."""


def test_every_pattern_of_the_record_has_a_model_and_no_other_has() -> None:
    assert (*SOUGHT, "patch") == PATTERNS
    assert set(PATTERN_MODELS) == set(PATTERNS)
    assert tuple(p for p in PATTERNS if PATTERN_MODELS[p].trial_shapes) == SOUGHT
    assert tuple(p for p in PATTERNS if PATTERN_MODELS[p].family) == SOUGHT


@pytest.mark.parametrize("pattern", SOUGHT)
def test_a_shape_comes_back_from_its_row(pattern: Pattern) -> None:
    shapes = PATTERN_MODELS[pattern].trial_shapes
    rows = pack_shapes(shapes, np.full((len(shapes), 2), 7.0), None)
    for i, shape in enumerate(shapes):
        again = unpack_shape(shape, rows.p[i], shape.noise)
        np.testing.assert_allclose(again.affine, shape.affine, atol=1e-12)
        assert again.blur == pytest.approx(shape.blur, abs=1e-12)
        assert (again.level, again.contrast) == (shape.level, shape.contrast)
        assert (again.offset, again.opening) == (shape.offset, shape.opening)
        assert (again.radii, again.steps, again.bar) == (shape.radii, shape.steps, shape.bar)


@pytest.mark.parametrize("pattern", SOUGHT)
def test_no_two_trial_shapes_of_a_pattern_are_one(pattern: Pattern) -> None:
    seen = {
        (*np.round(s.affine, 9).ravel().tolist(), s.outline, s.opening, s.radii)
        for s in PATTERN_MODELS[pattern].trial_shapes
    }
    assert len(seen) == len(PATTERN_MODELS[pattern].trial_shapes)
