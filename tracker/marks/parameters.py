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
"""Parameters from here on belong to the paint: learnt once, then fixed (`OWN` may be, too)."""

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

NEAREST = 0.2
"""Least distance over that of the mark's centre at which the perspective is believed."""

PREPARED = 16
"""Length of c: what all pixels of a mark share."""
INVERSE_SD = 0
"""1 / s."""
TILT_X, TILT_Y = 1, 2
"""W^T (perspective)."""
U_LENGTH, V_LENGTH = 3, 4
"""Lengths of the rows of W."""
N1_X, N1_Y, N1_SCALE, COS_1, SIN_1 = 5, 6, 7, 8, 9
"""Quadrant and hourglass: the first line's normal in the picture, 1 over the length of W^T n, and
cosine and sine of its angle in mark units."""
N2_X, N2_Y, N2_SCALE, COS_2, SIN_2 = 10, 11, 12, 13, 14
"""The same of the second line."""

OUTPUTS = 9
"""Length of a row of what a fit returns of a mark."""
VAR_UU, COV_UV, VAR_VV = 0, 1, 2
"""Covariance of the place, px²."""
RESIDUAL_VARIANCE = 3
"""Weighted, grey²."""
WEIGHT_SUM = 4
PASSES = 5
"""Negative: not converged."""
COST = 6
"""Over the pixels, the prior not counted."""
CONTRAST_SD, LIGHT_SD = 7, 8
"""Standard deviations of the contrast, and of the lighting's larger component."""
