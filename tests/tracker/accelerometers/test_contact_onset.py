"""Contact in a longitudinal channel, against pulses whose beginning is known."""

from __future__ import annotations

import numpy as np
import pytest

from tracker.accelerometers.contact_onset import contact_onset

RNG = np.random.default_rng


def channel(onset: float, ringing: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Time, s, and ax, m/s2, of a blow at time zero, 10,000 samples a second, noise 2.5 m/s2: a
    jump of `onset` and a half sine of 150 m/s2 over 0.1 s, ringing at 220 Hz.
    """
    rng = RNG(seed)
    time = np.arange(-0.1, 0.15, 1e-4) + rng.uniform(0, 1e-4)
    s = np.clip(time / 0.1, 0, 1)
    blow = np.where(time > 0, onset * (1 - s) + 150 * np.sin(np.pi * s), 0.0)
    rings = ringing * np.sin(2 * np.pi * 220 * time) * np.exp(-time / 0.02) * (time > 0)
    return time, rings - blow + 2.5 * rng.standard_normal(len(time))


@pytest.mark.parametrize("onset", [300.0, 82.0, 16.0])
@pytest.mark.parametrize("ringing", [0.0, 15.0])
def test_the_onset_of_a_blow_is_found_to_a_fifth_of_a_millisecond(
    onset: float, ringing: float
) -> None:
    z = []
    for seed in range(4):
        time, ax = channel(onset, ringing, seed)
        value, u = contact_onset(time, ax, 2.5, 1e-3 * RNG(seed).standard_normal(), 8e-3)
        assert abs(value) < 5e-4
        assert u < 5e-4
        z.append(value / u)
    assert np.sqrt(np.mean(np.square(z))) < 2


def test_lost_samples_are_left_out_and_too_few_are_refused() -> None:
    time, ax = channel(82.0, 0.0, 1)
    ax[(time > 2e-3) & (time < 4e-3)] = np.nan
    value, _ = contact_onset(time, ax, 2.5, 0.0, 8e-3)
    assert abs(value) < 5e-4
    with pytest.raises(ValueError, match="too few"):
        contact_onset(time[:5], ax[:5], 2.5, 0.0, 8e-3)
