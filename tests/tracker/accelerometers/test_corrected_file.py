"""A corrected record undoes what was wrong and says so; the original stays."""

import numpy as np
import pytest

from calibration.errors import Problem
from tests.support.simulated_sensors import CG, accelerometer, scene
from tracker.accelerometers import read_accelerometer
from tracker.accelerometers.corrected_file import correct, write_corrected
from tracker.accelerometers.faults import ChannelFault
from tracker.crosscheck import cross_check
from tracker.record.schema import AccelerometerEntry


@pytest.fixture(scope="module")
def made():
    return scene(1)


def check(made, block):
    return cross_check(block, made.time, made.state, made.draws, CG)


def late(made, channel, delay):
    return np.interp(made.fine - delay, made.fine, made.channels[channel])


@pytest.mark.parametrize(
    "spoil",
    [
        lambda m: {"ax": 1.15 * m.channels["ax"]},
        lambda m: {"ax": -m.channels["ax"]},
        lambda m: {"ax": m.channels["ax"] + 5.0 * (m.fine > 0)},
        lambda m: {"ax": 0.85 * late(m, "ax", 0.007)},
        lambda m: {"ax": -m.channels["ay"], "ay": m.channels["ax"]},
    ],
)
def test_a_corrected_record_agrees_with_the_film(made, spoil):
    block = accelerometer(made, {**made.channels, **spoil(made)})
    found = check(made, block)
    channels, steps = correct(block, found.findings)
    assert steps
    assert found.verdict == "disagree"
    assert check(made, accelerometer(made, channels)).verdict == "agree"


def test_the_file_can_be_read_again_and_states_its_corrections(made, tmp_path):
    block = accelerometer(made)
    wrong = ChannelFault("ax", "scale", 1.25, 0.01, "1", "")
    steps = write_corrected(tmp_path / "new.csv", block, [wrong])
    text = (tmp_path / "new.csv").read_text()
    assert all(f"correction: {step}" in text for step in steps)
    table = AccelerometerEntry.model_validate(
        {
            "vehicle": "car",
            "at": ["0 m", "0 m", "0 m"],
            "file": "new.csv",
            "time": {"column": "time", "unit": "s"},
            "channels": {
                "ax": {"column": "ax", "unit": "m/s2"},
                "yaw_rate": {"column": "yaw_rate", "unit": "rad/s"},
            },
        }
    )
    back = read_accelerometer(table, tmp_path)
    assert back.channels["ax"] == pytest.approx(made.channels["ax"] / 1.25, abs=1e-6)
    assert back.channels["yaw_rate"] == pytest.approx(made.channels["yaw_rate"], abs=1e-8)
    assert back.time == pytest.approx(made.fine, abs=1e-9)


def test_nothing_is_written_over(made, tmp_path):
    (tmp_path / "there.csv").write_text("original")
    with pytest.raises(Problem, match="never written over"):
        write_corrected(tmp_path / "there.csv", accelerometer(made), [])
    assert (tmp_path / "there.csv").read_text() == "original"
