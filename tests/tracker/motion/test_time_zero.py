"""Time zero from several sources: by hand where they agree, by Bayes' rule on a grid where not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from tests.support import motion_case as case
from tracker.motion import solve
from tracker.motion.initial.options import ZERO
from tracker.motion.time_zero import ZeroSource, combine_sources

TIME = np.arange(-0.06, 0.15, 1e-3)
CRASH = case.crash(TIME)


def test_sources_that_agree_are_averaged_by_their_variances() -> None:
    """Weights 1/3^2 and 1/4^2, mean 1.36 ms, u 2.4 ms (by hand): too vague to judge each other."""
    found = combine_sources(
        [ZeroSource("flash", 1e-3, 3e-3, 0.05), ZeroSource("motion", 2e-3, 4e-3, 0.2)]
    )
    assert found.value == pytest.approx(1.36e-3, abs=1e-8)
    assert found.u == pytest.approx(2.4e-3, abs=1e-8)
    assert [s.weight for s in found.sources] == pytest.approx([0.64, 0.36])
    assert not found.apart


@pytest.mark.parametrize("late", [2e-3, 8e-4])
def test_sources_are_a_mixture_as_on_a_grid(late: float) -> None:
    """The product of contaminated normal densities, integrated on a grid by scipy's."""
    sources = [ZeroSource("flash", 0.0, 5e-5, 0.05), ZeroSource("motion", -late, 4e-4, 0.2)]
    grid = np.linspace(-0.02, 0.02, 400001)
    density = np.ones_like(grid)
    for s in sources:
        far = norm.pdf(grid, s.value, np.hypot(s.u, ZERO.wrong_u))
        density *= (1 - s.wrong_probability) * norm.pdf(
            grid, s.value, s.u
        ) + s.wrong_probability * far
    density /= density.sum()
    mean = float(density @ grid)
    found = combine_sources(sources)
    assert bool(found.apart) == (late > 1e-3)
    assert found.value == pytest.approx(mean, abs=1e-8)
    assert found.u == pytest.approx(float(np.sqrt(density @ (grid - mean) ** 2)), rel=1e-4)
    assert found.sources[1].sound < found.sources[0].sound < 1


@pytest.mark.parametrize("lag", [0.0, 7e-4, 1.5e-3])
def test_a_lamp_of_unknown_lag_is_late_as_often_as_a_mixture_on_a_grid_says(lag: float) -> None:
    """The same by a grid; three lamps in ten are late by anything up to 2 ms (a normal density of a
    rectangle's mean and standard deviation).
    """
    flash, motion = ZeroSource("flash", lag, 5e-5, 0.02, 2e-3), ZeroSource("motion", 0, 3e-4, 0.2)
    grid = np.linspace(-0.02, 0.02, 400001)
    far = norm.pdf(grid, lag, np.hypot(5e-5, ZERO.wrong_u))
    late = norm.pdf(grid, lag - 1e-3, np.hypot(5e-5, 2e-3 / np.sqrt(12)))
    sound = (1 - ZERO.late_probability) * norm.pdf(grid, lag, 5e-5) + ZERO.late_probability * late
    density = 0.98 * sound + 0.02 * far
    density *= 0.8 * norm.pdf(grid, 0, 3e-4) + 0.2 * norm.pdf(grid, 0, np.hypot(3e-4, ZERO.wrong_u))
    density /= density.sum()
    mean = float(density @ grid)
    found = combine_sources([flash, motion])
    assert found.value == pytest.approx(mean, abs=1e-8)
    assert found.u == pytest.approx(float(np.sqrt(density @ (grid - mean) ** 2)), rel=1e-4)
    assert abs(found.value) < 2 * found.u
    assert bool(found.apart) == (lag > 1e-3)


def test_a_lamp_of_unknown_lag_alone_may_be_late_by_milliseconds() -> None:
    """Mean and sd of three tenths of a rectangle of 2 ms, by hand: 0.3 ms, 0.557 ms."""
    found = combine_sources([ZeroSource("flash", 0.0, 5e-5, 0.02, 2e-3)])
    assert found.value == pytest.approx(-0.3e-3, abs=1e-9)
    assert found.u == pytest.approx(0.557e-3, rel=1e-2)
    assert not found.apart


def test_clocks_that_contradict_the_motion_are_named_and_not_bent_to_agree() -> None:
    """One camera's time zero is 1 ms late, both say 0.02 ms: the cameras keep the motion's time
    between them, and the u of time zero covers the difference.
    """
    cameras = case.both(TIME, CRASH, noise=0.03)
    cameras["side"] = replace(cameras["side"], seconds=TIME - 1e-3, zero_u=2e-5)
    cameras["overhead"] = replace(cameras["overhead"], zero_u=2e-5)
    solution = solve(cameras, {"car": case.car()}, contact=0.0)
    offset = {name: clock.offset for name, clock in solution.clocks.items()}
    assert offset["side"] - offset["overhead"] == pytest.approx(1e-3, abs=3e-5)
    (text,) = [f.text for f in solution.findings if f.code == "time_zero_disagrees"]
    assert "side" in text
    assert "overhead" in text
    assert solution.contact[1] > 2e-4
    assert abs(offset["overhead"]) < 3 * solution.contact[1]


def test_a_flash_late_by_milliseconds_is_contradicted_by_the_motion() -> None:
    """Both clocks are 6 ms late, the onset of 200 m/s2 shows it: a bumper's
    foam, 5 mm at 14 m/s, would explain 0.4 ms. Which of the two is wrong the film can't say.
    """
    cameras = {
        name: replace(cam, seconds=TIME - 6e-3, zero_u=2e-5)
        for name, cam in case.both(TIME, CRASH, noise=0.03).items()
    }
    solution = solve(cameras, {"car": case.car()}, contact=0.0)
    (text,) = [f.text for f in solution.findings if f.code == "time_zero_disagrees"]
    assert "motion of car" in text
    late = 6e-3 - solution.clocks["side"].offset
    assert abs(late) < 4 * solution.contact[1]


def test_a_sound_flash_is_not_accused() -> None:
    cameras = {
        name: replace(cam, zero_u=5e-5) for name, cam in case.both(TIME, CRASH, noise=0.03).items()
    }
    solution = solve(cameras, {"car": case.car()}, contact=0.0)
    assert "time_zero_disagrees" not in [f.code for f in solution.findings]
    assert solution.contact[1] < 1e-4  # of 5e-5: one clock in fifty is thought wrong
    assert solution.time_zero is not None
    assert sum(s.weight for s in solution.time_zero.sources) == pytest.approx(1.0)
