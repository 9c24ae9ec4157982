"""A second blow is as sharp as the first: a rear that slaps against something 200 ms after contact.

The blow is written down here: a half-sine of 30 ms, and the yaw that it gives 1.2 m behind the cg
of a vehicle whose squared radius of gyration is 1.5 m2.
"""

import numpy as np
import pytest

from tests.support import motion_case as case
from tracker.core.types import STATE
from tracker.motion import Solution, solve
from tracker.motion.model.blows import roughest_time
from tracker.motion.model.spline import Basis

TIME = np.arange(-0.06, 0.36, 2e-3)
BEGIN, LASTS, SIZE = 0.2043, 0.03, 200.0
VY, AY = STATE.index("vy_mps"), STATE.index("ay_mps2")


def slapped(time: np.ndarray) -> np.ndarray:
    """`case.crash` with the blow: its integrals are textbook (A sin(w t) from rest)."""
    s = case.crash(time)
    w = np.pi / LASTS
    since = np.clip(time - BEGIN, 0.0, LASTS)
    after = np.maximum(time - BEGIN - LASTS, 0.0)
    push = np.where((time > BEGIN) & (time < BEGIN + LASTS), SIZE * np.sin(w * since), 0.0)
    speed = SIZE / w * (1 - np.cos(w * since))
    way = SIZE / w * (since - np.sin(w * since) / w) + 2 * SIZE / w * after
    for column, value in ((1, way), (7, speed), (13, push)):
        s[:, column] += value
        if column < 13:
            s[:, column + 4] -= 1.2 / 1.5 * value
    return s


@pytest.fixture(scope="module")
def solutions() -> list[Solution]:
    return [
        solve(case.both(TIME, slapped(TIME), 0.03, seed), {"car": case.car()}) for seed in (0, 1)
    ]


def test_lateral_blow_is_within_its_u(solutions: list[Solution]) -> None:
    near = np.arange(BEGIN - 0.01, BEGIN + 0.06, 1e-3)
    z = []
    for solution in solutions:
        motion = solution.motion("car", near)
        z.append((motion.state[:, VY] - slapped(near)[:, VY]) / motion.u[:, VY])
    assert np.mean(np.abs(np.concatenate(z)) < 1.96) > 0.9
    assert np.abs(z).max() < 3.5


def test_its_greatest_mean_is_not_smoothed(solutions: list[Solution]) -> None:
    """The 10 ms mean about its middle within 2 %, half of what the true one loses by 2 ms more."""
    ends = BEGIN + LASTS / 2 + np.array([-5e-3, 5e-3])
    true = np.diff(slapped(ends)[:, VY])[0] / 0.01
    for solution in solutions:
        found = np.diff(solution.motion("car", ends).state[:, VY])[0] / 0.01
        assert found == pytest.approx(true, rel=0.02)


def test_it_has_a_stretch_of_its_own(solutions: list[Solution]) -> None:
    for solution in solutions:
        (body,) = solution.setup.bodies
        begin, end = body.basis.phases
        assert BEGIN - 0.015 < begin < BEGIN
        assert BEGIN + LASTS < end < BEGIN + LASTS + 0.02


def test_one_blow_needs_none() -> None:
    short = TIME[TIME < 0.16]
    solution = solve(case.both(short, case.crash(short), 0.03), {"car": case.car()})
    assert solution.setup.bodies[0].basis.phases == ()


def test_roughest_time_is_where_the_squares_are() -> None:
    """Squares of unit variance but for ten times that over one span, all well determined."""
    basis = Basis(np.arange(-0.05, 0.3001, 5e-3), (0.0,))
    rng = np.random.default_rng(3)
    square = rng.chisquare(1, (len(basis.intervals), 6))
    assert roughest_time(basis, square, np.ones_like(square), 0.0) is None
    left = basis.breakpoints[:-1]
    square[(left > 0.148) & (left < 0.193), 1] *= 30
    assert roughest_time(basis, square, np.ones_like(square), 0.0) == pytest.approx(
        (0.145, 0.2), abs=0.011
    )
    assert roughest_time(basis, square, np.ones_like(square), 0.2) is None
