"""A recorder without an anti-alias filter is reported from one that has it."""

import numpy as np
import pytest
from scipy import signal

from calibration.constants import GRAVITY
from tracker.accelerometers.aliasing import alias_note

FAST, RATE = 80_000.0, 4_000.0  # 1/s


def crash(seed=0, filtered=True, noise=0.0, rate=RATE, loud=25.0):
    """A braking pulse with crackling up to 20 kHz, recorded at a lower rate."""
    rng = np.random.default_rng(seed)
    time = np.arange(-0.1, 0.3, 1 / FAST)
    pulse = -15 * np.sin(np.pi * np.clip(time, 0, 0.15) / 0.15)
    crackle = rng.standard_normal(len(time)) * np.where(time > 0, np.exp(-time / 0.08), 0.0)
    wide = pulse + loud * signal.sosfiltfilt(
        signal.butter(2, (300, 20_000), "bandpass", fs=FAST, output="sos"), crackle
    )
    if filtered:
        wide = signal.sosfiltfilt(signal.butter(4, 0.16 * rate, fs=FAST, output="sos"), wide)
    step = round(FAST / rate)
    kept = wide[::step] + noise * rng.standard_normal(len(wide[::step]))
    return time[::step], GRAVITY * kept


@pytest.mark.parametrize("seed", range(5))
def test_crackling_that_no_filter_held_back_is_reported(seed):
    note = alias_note("ax", *crash(seed, filtered=False))
    assert note is not None
    assert note.startswith("ax has content up to half of its 4000 samples/s")


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("noise", [0.0, 0.3, 3.0])
def test_a_filtered_record_is_not_accused_for_its_noise(seed, noise):
    assert alias_note("ax", *crash(seed, noise=noise)) is None


def test_a_record_too_slow_or_too_short_to_tell_is_left_alone():
    time, values = crash(filtered=False, rate=1_000.0)
    assert alias_note("ax", time, values) is None
    time, values = crash(filtered=False)
    assert alias_note("ax", time[time < 0.05], values[time < 0.05]) is None


def test_folded_content_can_not_be_filtered_away():
    """Why it matters: 3,900 Hz recorded at 4,000 1/s reads as 100 Hz, well inside CFC 180."""
    time = np.arange(0, 0.2, 1 / RATE)
    folded = np.cos(2 * np.pi * 3_900 * time)
    assert folded == pytest.approx(np.cos(2 * np.pi * 100 * time), abs=1e-9)
