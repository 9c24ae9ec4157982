"""Ratings of time histories against published and closed cases."""

import numpy as np
import pytest

from tracker.core.curve_metrics import (
    Residuals,
    SpragueGeers,
    is_accepted_by_w179,
    iso18571,
    residuals,
    sprague_geers,
)

T = np.arange(0, 1 + 5e-5, 1e-4)
SINE = np.sin(10 * np.pi * T)


# Sprague and Geers: whole periods of a sine, exact.
@pytest.mark.parametrize(("k", "lag"), [(1.1, np.pi / 10), (0.8, 0.0), (1.0, np.pi / 4)])
def test_magnitude_and_phase_are_distinguished(k, lag):
    metric = sprague_geers(SINE, k * np.sin(10 * np.pi * T - lag))
    assert metric.magnitude == pytest.approx(k - 1, abs=1e-9)
    assert metric.phase == pytest.approx(lag / np.pi, abs=1e-8)
    assert metric.comprehensive == pytest.approx(np.hypot(k - 1, lag / np.pi), abs=1e-8)


def test_offset_sine():
    metric = sprague_geers(SINE, SINE + 0.05)
    assert metric.magnitude == pytest.approx(0.00249688, abs=1e-7)
    assert metric.phase == pytest.approx(0.02247051, abs=1e-7)


# Decaying sine of the 2007 review of Sprague and Geers' metric (waveform from memory).
@pytest.mark.parametrize(
    ("delay", "k", "magnitude", "phase"),
    [(0.14, 1.2, 0.2, 0.0), (0.10, 1.0, 0.000918, 0.079607), (0.18, 1.0, -0.001507, 0.079609)],
)
def test_decaying_sine(delay, k, magnitude, phase):
    t = np.arange(0, 2 + 1e-9, 1e-4)

    def wave(tau):
        return np.where(t >= tau, np.exp(-(t - tau)) * np.sin(2 * np.pi * (t - tau)), 0.0)

    metric = sprague_geers(wave(0.14), k * wave(delay))
    assert metric.magnitude == pytest.approx(magnitude, abs=2e-6)
    assert metric.phase == pytest.approx(phase, abs=2e-6)


def test_half_sine_five_percent_late():
    t = np.arange(-0.1, 0.3, 1e-5)

    def pulse(q):
        return np.sin(np.pi * q / 0.1) * ((q >= 0) & (q <= 0.1))

    metric = sprague_geers(pulse(t), pulse(t - 0.005))
    assert metric.phase == pytest.approx(0.0491583, abs=1e-6)
    assert metric.magnitude == pytest.approx(0.0, abs=1e-8)


# NCHRP Web-Only Document 179: residuals over the largest magnitude.
@pytest.mark.parametrize(
    ("compared", "mean", "deviation"),
    [
        (1.2 * SINE, 0.0, 0.141421),
        (np.sin(10 * np.pi * T - np.pi / 10), 0.0, 0.221232),
        (SINE + 0.05, -0.05, 0.0),
    ],
)
def test_residuals_of_whole_periods(compared, mean, deviation):
    whole = slice(0, -1)  # the last sample repeats the first
    result = residuals(SINE[whole], compared[whole])
    assert result.mean == pytest.approx(mean, abs=1e-9)
    assert result.deviation == pytest.approx(deviation, abs=2e-5)


@pytest.mark.parametrize(
    ("magnitude", "phase", "mean", "deviation", "accepted"),
    [
        (0.40, 0.40, 0.05, 0.35, True),
        (-0.40, 0.1, -0.05, 0.1, True),
        (0.41, 0.1, 0.0, 0.1, False),
        (0.1, 0.41, 0.0, 0.1, False),
        (0.1, 0.1, 0.051, 0.1, False),
        (0.1, 0.1, 0.0, 0.36, False),
    ],
)
def test_w179_acceptance(magnitude, phase, mean, deviation, accepted):
    metric = SpragueGeers(magnitude, phase, float(np.hypot(magnitude, phase)))
    assert is_accepted_by_w179(metric, Residuals(mean, deviation)) is accepted


TI = np.arange(0, 0.15, 1e-4)
WAVE = np.sin(20 * TI)
TH = np.arange(2000) * 1e-4
HALF = np.sin(np.pi * TH / 0.1) * (TH <= 0.1)
LATE = np.sin(np.pi * (TH - 0.005) / 0.1) * ((TH >= 0.005) & (TH <= 0.105))


# The first two are the worked numbers of a public implementation of ISO/TS 18571 (0.713, 0.815);
# all five were computed twice independently.
@pytest.mark.parametrize(
    ("reference", "compared", "rating", "parts"),
    [
        (WAVE, 1.3 * WAVE, 0.71309, (0.47786, 1.0, 0.75971, 0.85)),
        (WAVE[100:], WAVE[:-100], 0.81487, (0.71574, 0.64286, 1.0, 1.0)),
        (HALF, 1.1 * HALF, 0.96316, (0.95369, 1.0, 0.95840, 0.95)),
        (HALF, LATE, 0.93190, (0.89225, 0.875, None, None)),
        (HALF, HALF + 0.02, 0.98821, (None, 1.0, 0.94105, None)),
    ],
)
def test_iso18571_rating(reference, compared, rating, parts):
    result = iso18571(reference, compared)
    assert result.rating == pytest.approx(rating, abs=2e-5)
    got = (result.corridor, result.phase, result.magnitude, result.slope)
    for value, expected in zip(got, parts, strict=True):
        assert expected is None or value == pytest.approx(expected, abs=2e-5)


@pytest.mark.parametrize("k", [0.7, 0.9, 1.2])
def test_slope_score_falls_by_half_the_scale_error(k):
    assert iso18571(WAVE, k * WAVE).slope == pytest.approx(1 - abs(k - 1) / 2, abs=1e-9)


def test_equal_histories_rate_one():
    result = iso18571(WAVE, WAVE)
    assert result.rating == pytest.approx(1.0)
    assert result.grade == "excellent"
