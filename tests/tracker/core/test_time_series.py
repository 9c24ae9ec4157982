"""Integrals of straight lines are exact, whatever the step."""

import numpy as np
import pytest

from tracker.core.time_series import (
    first_crossing,
    from_zero,
    integral_at,
    integrate,
    integrate_twice,
    moving_means,
    sample,
)

TIME = np.array([-0.3, 0.0, 0.1, 0.25, 0.7, 1.0])
SLOPE, START = 3.0, -1.2
LINE = START + SLOPE * TIME


def exact(t):
    return START * (t - TIME[0]) + SLOPE * (t**2 - TIME[0] ** 2) / 2


def test_integral_of_a_line_is_exact_on_uneven_steps():
    assert integrate(TIME, LINE) == pytest.approx(exact(TIME))


def test_second_integral_of_a_line_is_the_cubic():
    _, twice = integrate_twice(TIME, LINE)
    tau = TIME - TIME[0]
    assert twice == pytest.approx(LINE[0] * tau**2 / 2 + SLOPE * tau**3 / 6)


def test_integral_between_samples_is_exact():
    at = np.array([[-0.3, -0.11, 0.05, 0.6999, 1.0]])
    values = LINE[None]
    assert integral_at(TIME, values, integrate(TIME, values), at)[0] == pytest.approx(exact(at[0]))


def test_crossing_of_a_cubic_is_found_between_coarse_samples():
    time = np.linspace(0, 1, 6)
    a = 6.0 * time[None]
    v, x = integrate_twice(time, a)
    assert first_crossing(time, x, v, a, 0.3)[0] == pytest.approx(0.3 ** (1 / 3), abs=1e-12)


def test_crossing_counts_either_side_and_may_not_happen():
    time = np.linspace(0, 1, 11)
    a = np.stack((-2.0 + 0 * time, 0.1 + 0 * time))
    v, x = integrate_twice(time, a)
    assert first_crossing(time, x, v, a, 0.25) == pytest.approx([0.5, np.inf])


def test_means_need_no_whole_number_of_steps():
    starts, means = moving_means(TIME, LINE[None], 0.37)
    assert means[0] == pytest.approx(START + SLOPE * (starts + 0.185))
    assert starts[0] == pytest.approx(TIME[0])
    assert starts[-1] + 0.37 == pytest.approx(TIME[-1])


def test_a_window_longer_than_the_record_has_no_mean():
    starts, means = moving_means(TIME, LINE[None], 2.0)
    assert starts.size == 0
    assert means.shape == (1, 0)


def test_record_is_cut_at_time_zero_between_samples():
    time = np.array([-0.2, 0.1, 0.3])
    cut, (values,) = from_zero(time, 2.0 + 10.0 * time)
    assert cut == pytest.approx([0.0, 0.1, 0.3])
    assert values == pytest.approx([2.0, 3.0, 5.0])


def test_sample_of_each_row_at_its_own_time():
    values = np.stack((LINE, 2 * LINE))
    assert sample(TIME, values, np.array([0.05, 0.8])) == pytest.approx([-1.05, 2.4])
