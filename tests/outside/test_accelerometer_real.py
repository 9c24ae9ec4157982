"""Real accelerometers of a full-width rigid barrier test (US government crash test database)."""

import numpy as np
import pytest

from calibration.constants import GRAVITY
from tracker.accelerometers import condition, read_accelerometer
from tracker.accelerometers.text_table import read_columns
from tracker.core.time_series import from_zero, integrate_twice
from tracker.outcome.accelerometer_risk import accelerometer_risk
from tracker.outcome.occupant_risk import flail, ridedown
from tracker.outcome.severity_index import acceleration_severity
from tracker.record.schema import AccelerometerEntry

MASS = 1719.0  # kg, as the database states
FLAIL = (0.6, 0.3)


@pytest.fixture(scope="module")
def block(real):
    folder = real("crash-accel-10146")

    def read(number):
        table = AccelerometerEntry.model_validate(
            {
                "vehicle": "car",
                "at": ["0 m", "0 m", "0 m"],
                "file": f"v10146.{number:03d}",
                "time": {"column": "1", "unit": "s"},
                "channels": {"ax": {"column": "2", "unit": "g_0"}},
            }
        )
        return read_accelerometer(table, folder)

    return read


def motion(accelerometer, cfc):
    known = condition(accelerometer, cfc)
    time, (ax,) = from_zero(known.time, known.channels["ax"])
    return (time, ax, *integrate_twice(time, ax))


# Figures stated with the data: integrated after CFC 60.
@pytest.mark.parametrize(
    ("number", "change"), [(93, -18.38), (94, -18.59), (99, -18.74), (100, -18.53)]
)
def test_velocity_change_of_each_channel(block, number, change):
    _, _, velocity, _ = motion(block(number), 60)
    assert velocity.min() == pytest.approx(change, abs=0.1)


@pytest.mark.parametrize("number", [93, 94, 99, 100])
def test_sound_channels_are_kept_and_have_no_findings(block, number):
    accelerometer = block(number)
    assert set(accelerometer.channels) == {"ax"}
    assert accelerometer.findings == ()
    assert accelerometer.dropped == {}


def test_the_failed_channel_is_dropped_with_its_time(block):
    accelerometer = block(96)
    assert accelerometer.channels == {}
    assert "ax" in accelerometer.dropped
    (finding,) = accelerometer.findings
    assert finding.kind == "dropout"
    assert finding.estimate == pytest.approx(0.067, abs=0.001)
    risk = accelerometer_risk(accelerometer, np.zeros(3), FLAIL)
    assert all(value is None for value in risk.figures.values())
    assert "66.9 ms" in risk.notes[0]


def test_redundant_sensors_agree(block):
    changes = [motion(block(number), 60)[2].min() for number in (93, 94, 99, 100)]
    assert np.ptp(changes) <= 0.4


def test_crush_lies_between_the_stated_figures(block):
    crush = []
    for number in (93, 94, 99, 100):
        time, _, velocity, change = motion(block(number), 60)
        stop = np.argmax(velocity <= -15.858)
        crush.append(15.858 * time[stop] + change[stop])
    assert min(crush) == pytest.approx(0.733, abs=0.01)
    assert max(crush) == pytest.approx(0.750, abs=0.01)


# Free-flight model over 0.6 m at CFC 180, computed independently from the same data.
@pytest.mark.parametrize("number", [93, 94, 99, 100])
def test_occupant_risk_of_each_channel(block, number):
    time, ax, _, _ = motion(block(number), 180)
    oiv_x, _, at, reached = flail(time, ax, 0 * ax, FLAIL)
    assert reached == 1
    assert 17.8 - 0.05 <= oiv_x <= 18.2 + 0.05
    assert 0.083 <= round(float(at), 3) <= 0.085
    value, _ = ridedown(time, ax, at)
    assert 11.7 - 0.15 <= abs(value) <= 12.7 + 0.15
    asi, _ = acceleration_severity(time, ax, 0 * ax, 0 * ax)
    assert 2.34 - 0.01 <= asi <= 2.42 + 0.01


def test_velocity_change_agrees_with_the_impulse_on_the_wall(real, block):
    """The wall's impulse over the mass stands 3 % above, as its makers' data do."""
    path = real("crash-accel-10146") / "barrier_total_fx.csv"
    columns = read_columns(path, ("time_s", "total_barrier_Fx_N")).values
    time, force = columns["time_s"], columns["total_barrier_Fx_N"]
    impulse = np.trapezoid(force[time >= 0], time[time >= 0])
    known = -motion(block(93), 60)[2].min()
    assert abs(impulse) / MASS == pytest.approx(known, rel=0.06)


def test_figures_come_with_an_uncertainty(block):
    risk = accelerometer_risk(block(99), np.zeros(3), FLAIL, count=60)
    oiv = risk.figures["oiv_x"]
    assert 17.8 <= oiv.value <= 18.25
    assert 0.05 < oiv.u < 0.4
    assert risk.figures["oiv_y"] is None
    assert any("pitch" in note for note in risk.notes)
    assert risk.figures["ridedown_x"].value < 0
    assert risk.figures["velocity_change_x"].value < -GRAVITY


def test_four_sensors_of_one_vehicle_agree_within_their_stated_uncertainty(block):
    """Places and structure differ, so that the spread of sound sensors is what `u` has to cover."""
    reported = [accelerometer_risk(block(n), np.zeros(3), FLAIL).figures for n in (93, 94, 99, 100)]
    for name in ("oiv_x", "ridedown_x"):
        spread = np.std([t[name].value for t in reported], ddof=1)
        u = np.mean([t[name].u for t in reported])
        assert 0.3 * u < spread < 2 * u, (name, spread, u)
