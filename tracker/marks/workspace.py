"""Rows of the work space in which a block of pixels is taken: offsets fixed when compiled."""

from tracker.marks import parameters as par

BLOCK = 64
"""Pixels taken at a time."""
X, Y, GREY = 0 * BLOCK, 1 * BLOCK, 2 * BLOCK
"""Rows of w: the block's pixels."""
MODEL, J = 3 * BLOCK, 4 * BLOCK
"""Rows of w: the model's grey, and from J on its derivatives by each parameter."""
J_X, J_Y = J + par.CENTRE_X * BLOCK, J + par.CENTRE_Y * BLOCK
J_UX, J_UY = J + par.W_UX * BLOCK, J + par.W_UY * BLOCK
J_VX, J_VY = J + par.W_VX * BLOCK, J + par.W_VY * BLOCK
J_SD, J_LEVEL, J_CONTRAST = (J + k * BLOCK for k in (par.EDGE_SD, par.LEVEL, par.CONTRAST))
J_LIGHT_X, J_LIGHT_Y = J + par.LIGHT_X * BLOCK, J + par.LIGHT_Y * BLOCK
J_OFFSET, J_OPENING = J + par.SECTOR_OFFSET * BLOCK, J + par.SECTOR_OPENING * BLOCK
J_BAR = J + par.BAR_HALF * BLOCK
SUM = 20 * BLOCK  # of the grey and the derivatives along the path
DX, DY, D = 37 * BLOCK, 38 * BLOCK, 39 * BLOCK  # from the centre; perspective
U, V, UX, UY, VX, VY = (n * BLOCK for n in range(40, 46))  # mark units, their gradients
RHO, K, GX, GY, G2 = (n * BLOCK for n in range(46, 51))  # radius and its gradient
WEIGHT, ALONG = 51 * BLOCK, 52 * BLOCK
Z1, E1, F1, Z2, E2, F2 = (n * BLOCK for n in range(53, 59))  # edges and their densities
A, AU, AS, AH = (n * BLOCK for n in range(59, 63))  # strips: value, slope, spread, width
B, BU, BS, BH = (n * BLOCK for n in range(63, 67))
C, CU, CS, CH = (n * BLOCK for n in range(67, 71))
E, EU, ES, EH = (n * BLOCK for n in range(71, 75))
KU, KV = 75 * BLOCK, 76 * BLOCK
WU, WV, SU, SV = (n * BLOCK for n in range(77, 81))  # what `fill_along_sides` takes
WORK = 81 * BLOCK
"""Length of the work space."""
