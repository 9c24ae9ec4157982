"""What the prior of jerks adds to a normal matrix on B-spline coefficients, compiled: a jerk
touches few of them.
"""

from __future__ import annotations

from calibration.arrays import Array
from tracker.motion.model.kernels import fast
from tracker.motion.model.unknowns import COMPONENTS


@fast
def add_jerk_information(whole: Array, turn: Array, information: Array) -> None:
    """Adds turn' diag(information) turn of each component to a body's normal matrix.

    Parameters
    ----------
    whole : (n * 6, n * 6), added to in its place; a coefficient's six components side by side.
    turn : (n, n) from B-spline coefficients to the jerk basis.
    information : (n, 6) one over the prior variances in the jerk basis.
    """
    n = len(turn)
    for row in range(n):
        first, last = 0, n - 1
        while first < n and turn[row, first] == 0.0:
            first += 1
        while last > first and turn[row, last] == 0.0:
            last -= 1
        for i in range(first, last + 1):
            for j in range(first, last + 1):
                product = turn[row, i] * turn[row, j]
                if product != 0.0:
                    for k in range(COMPONENTS):
                        whole[i * COMPONENTS + k, j * COMPONENTS + k] += (
                            product * information[row, k]
                        )
