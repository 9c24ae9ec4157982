"""The compiled sum against the product of matrices that it stands for, by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csr_array, diags_array

from tracker.motion.model.spline import Basis
from tracker.motion.solver.jerk_information import add_jerk_information


@pytest.mark.parametrize("breaks", [(), (0.1,)])
def test_what_jerks_add_is_the_product_that_it_stands_for(breaks: tuple[float, ...]) -> None:
    rng = np.random.default_rng(5)
    turn = Basis(np.array([-0.2, -0.05, 0.0, 0.1, 0.13, 0.2, 0.4]), breaks).to_jerk_basis
    information = 10 ** rng.uniform(-6, 6, (len(turn), 6))
    before = rng.normal(size=(6 * len(turn) + 3, 6 * len(turn) + 3))
    found = before.copy()
    add_jerk_information(found[:-3, :-3], turn, information)
    sparse = csr_array(turn)
    for component in range(6):
        own = (sparse.T @ (diags_array(information[:, component]) @ sparse)).toarray()
        before[component:-3:6, component:-3:6] += own
    scale = np.sqrt(np.abs(np.diag(before)))
    np.testing.assert_allclose(found / scale / scale[:, None], before / scale / scale[:, None],
                               rtol=0, atol=1e-12)  # fmt: skip
