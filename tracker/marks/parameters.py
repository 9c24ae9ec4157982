"""What stands where in the rows that the compiled fit takes, and the numbers of kinds and outlines.

A mark is a row p of `PARAMETERS` that the fit improves, a row q of `CONSTANTS` that it only reads,
and the number of its kind. Places after `OWN` mean something else for each kind.
"""

from __future__ import annotations

PARAMETERS = 16
"""Length of p; even, since products are taken two rows by two."""
CENTRE_X, CENTRE_Y = 0, 1
"""px."""
W_UX, W_UY, W_VX, W_VY = 2, 3, 4, 5
"""Inverse of the affine, row by row: mark units u and v for a px of x and y."""
EDGE_SD = 6
"""Standard deviation s of a seen edge, px, the pixel's own area counted."""
LEVEL, CONTRAST = 7, 8
LIGHT_X, LIGHT_Y = 9, 10
"""Gradient of the lighting, 1/px."""
OWN = 11
"""From here on each kind has parameters of its own."""
SECTOR_OFFSET, SECTOR_OPENING = 11, 12
"""Quadrant and hourglass: see `Shape`."""
RING_RADIUS, RING_STEP, RING_STRIDE = 11, 12, 2
"""Ring: of its first inner edge; those of the next edges stand `RING_STRIDE` further on each."""
BAR_HALF = 11
"""Cross: half the width of a bar in mark units."""
LEARNT = 12
"""Parameters from here on belong to the paint: learnt once, then held (`OWN` may, too)."""

CONSTANTS = 8
"""Length of q."""
PERSPECTIVE_X, PERSPECTIVE_Y = 0, 1
MOTION_X, MOTION_Y = 2, 3
"""px that the mark moves during the exposure."""
PATH_POINTS = 4
"""Pairs of points at which the motion is sampled; 0 for none."""
OUTLINE = 5
"""Quadrant and hourglass: number of the outer edge."""
RING_EDGES = 6
"""Disc and ring: how many edges there are inside the outer one."""
TEMPLATE_SIDE, TEMPLATE_SCALE = 6, 7
"""Patch: width of the template, and template pixels for one mark unit."""

QUADRANT, RINGS, CROSS, PATCH = 0, 1, 2, 3
"""Numbers of the kinds of model."""
NONE, DISC, SQUARE, FLAT = 0, 1, 2, 3
"""Numbers of the outlines."""
