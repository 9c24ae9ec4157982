"""Channel frequency classes against SAE J211-1 and ISO 6487."""

import numpy as np
import pytest
from scipy import signal

from calibration.errors import Problem
from tracker.accelerometers.cfc import CLASSES, cfc_coefficients, cfc_filter

STEP = 1e-4


def gain_db(cfc, frequency, constant="sae"):
    a, b = cfc_coefficients(cfc, STEP, constant)
    _, response = signal.freqz(a, [1, -b[0], -b[1]], worN=[2 * np.pi * frequency * STEP])
    return 40.0 * np.log10(abs(response[0]))


# SAE J211-1 appendix C formulas, evaluated independently at 10 kHz.
@pytest.mark.parametrize(
    ("cfc", "a0", "b1", "b2"),
    [
        (60, 0.00145236747355, 1.88934322422, -0.895152694116),
        (180, 0.0117962710998, 1.67011746327, -0.717302547667),
        (600, 0.0971846252794, 0.945574009062, -0.334312510179),
        (1000, 0.219231417219, 0.311896544996, -0.188822213872),
    ],
)
def test_coefficients_are_those_of_j211_appendix_c(cfc, a0, b1, b2):
    a, b = cfc_coefficients(cfc, STEP)
    assert a == pytest.approx((a0, 2 * a0, a0), rel=1e-10)
    assert b == pytest.approx((b1, b2), rel=1e-10)


def test_only_class_times_step_matters():
    assert cfc_coefficients(60, 1e-3)[0] == pytest.approx(cfc_coefficients(600, 1e-4)[0])


# SAE J211-1 appendix C, first pass of a step that starts at the third sample.
@pytest.mark.parametrize(
    ("cfc", "step", "expected"),
    [
        (180, 1e-4, (0, 0, 0.01179627, 0.05508997, 0.13073031, 0.22600389, 0.33086493)),
        (60, 1e-3, (0, 0, 0.09718463, 0.38344913, 0.71882800, 0.94025173, 1.03750291)),
    ],
)
def test_one_pass_of_a_step(cfc, step, expected):
    a, b = cfc_coefficients(cfc, step)
    x = [0, 0, 1, 1, 1, 1, 1]
    assert signal.lfilter(a, [1, -b[0], -b[1]], x) == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("constant", [2.0775, 1.25 * 5 / 3])
@pytest.mark.parametrize("cfc", CLASSES)
def test_coefficients_are_the_printed_formula(cfc, constant):
    """SAE J211-1 appendix C as printed; ISO 6487 annex A has 1.25 times 5/3 for its 2.0775."""
    wd = 2 * np.pi * cfc * constant
    wa = np.sin(wd * STEP / 2) / np.cos(wd * STEP / 2)
    below = 1 + np.sqrt(2) * wa + wa**2
    a, b = cfc_coefficients(cfc, STEP, "sae" if constant == 2.0775 else "iso")
    assert a == pytest.approx(np.array([wa**2, 2 * wa**2, wa**2]) / below, rel=1e-10)
    printed = (-2 * (wa**2 - 1) / below, (-1 + np.sqrt(2) * wa - wa**2) / below)
    assert b == pytest.approx(printed, rel=1e-10)


# J211-1 figures 1 and 2, ISO 6487 figures 1 and 2 (corridor from memory).
@pytest.mark.parametrize("constant", ["sae", "iso"])
@pytest.mark.parametrize(("cfc", "nominal"), [(60, 100), (180, 300), (600, 1000), (1000, 1650)])
def test_response_lies_in_the_corridor(cfc, nominal, constant):
    assert abs(gain_db(cfc, 0.1, constant)) <= 0.5
    assert -1.0 <= gain_db(cfc, cfc, constant) <= 0.5
    assert -4.0 <= gain_db(cfc, nominal, constant) <= 0.5
    assert -28.0 <= gain_db(cfc, 2 * nominal, constant) <= -8.5


# Two-pass gain in dB at 10 kHz; minus 3 dB at class / 0.6 is the definition of a class.
@pytest.mark.parametrize(
    ("cfc", "frequency", "decibel"),
    [
        (60, 60, -0.4535),
        (60, 100, -3.0085),
        (60, 200, -17.6720),
        (60, 300, -30.8523),
        (180, 180, -0.4480),
        (180, 300, -2.9936),
        (180, 600, -17.8693),
        (600, 600, -0.3869),
        (600, 1000, -2.8188),
        (1000, 1000, -0.2790),
        (1000, 1650, -2.3454),
    ],
)
def test_gain_of_both_passes(cfc, frequency, decibel):
    assert gain_db(cfc, frequency) == pytest.approx(decibel, abs=6e-5)


@pytest.mark.parametrize(("cfc", "frequency", "ratio"), [(60, 100, 0.707255), (180, 300, 0.708467)])
def test_a_sine_keeps_its_phase_and_loses_three_decibels(cfc, frequency, ratio):
    time = np.arange(10001) * STEP
    out = cfc_filter(np.sin(2 * np.pi * frequency * time), STEP, cfc)
    middle = slice(4000, 6000)  # a whole number of periods
    along = np.mean(out[middle] * np.sin(2 * np.pi * frequency * time[middle])) * 2
    across = np.mean(out[middle] * np.cos(2 * np.pi * frequency * time[middle])) * 2
    assert along == pytest.approx(ratio, abs=1e-5)
    assert across == pytest.approx(0, abs=1e-6)


# Closed cases computed independently with half a second of zeros at each side.
@pytest.mark.parametrize(
    ("cfc", "length", "peak"),
    [(60, 0.010, 0.950788), (60, 0.020, 0.999176), (180, 0.010, 0.999655)],
)
def test_half_sine_keeps_its_area_and_its_time(cfc, length, peak):
    time = np.arange(-5000, 5101) * STEP
    pulse = np.sin(np.pi * time / length) * ((time >= 0) & (time <= length + 1e-12))
    out = cfc_filter(pulse, STEP, cfc)
    assert out.max() == pytest.approx(peak, abs=2e-6)
    assert out.sum() == pytest.approx(pulse.sum(), rel=1e-9)
    assert time[np.argmax(out)] == pytest.approx(length / 2, abs=0.51 * STEP)


@pytest.mark.parametrize(("cfc", "overshoot"), [(60, 1.033565), (180, 1.033881)])
def test_unit_step_overshoots_alike_on_both_sides(cfc, overshoot):
    out = cfc_filter((np.arange(-5000, 5001) >= 0) * 1.0, STEP, cfc)
    assert out.max() == pytest.approx(overshoot, abs=2e-6)
    assert 1 - out.min() == pytest.approx(overshoot, abs=2e-6)


def test_iso_constant_is_a_third_of_a_percent_above_sae():
    assert cfc_coefficients(60, 1e-6, "iso")[0][0] / cfc_coefficients(60, 1e-6)[0][
        0
    ] == pytest.approx((25 / 12 / 2.0775) ** 2, rel=1e-4)


def test_constant_and_ramp_pass_unchanged_to_their_ends():
    ramp = np.linspace(-3.0, 5.0, 2000)
    assert cfc_filter(np.full(2000, 7.0), STEP, 60) == pytest.approx(7.0)
    assert cfc_filter(ramp, STEP, 180) == pytest.approx(ramp, abs=0.02)


@pytest.mark.parametrize(("cfc", "rate"), [(60, 600), (180, 1800), (600, 6000), (1000, 10000)])
def test_sample_rate_must_be_ten_times_the_class(cfc, rate):
    assert cfc_filter(np.zeros(400), 1 / rate, cfc) == pytest.approx(0)
    with pytest.raises(Problem, match="too few"):
        cfc_filter(np.zeros(400), 1.02 / rate, cfc)
