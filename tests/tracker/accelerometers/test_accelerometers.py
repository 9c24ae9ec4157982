"""Accelerometer files of any sane layout, their faults, their place on the vehicle."""

import h5py
import numpy as np
import pytest

from calibration.constants import GRAVITY as G
from calibration.errors import Problem
from tracker.accelerometers import (
    body_rates,
    condition,
    gravity_reading,
    judge_channels,
    read_accelerometer,
    read_accelerometers,
    sensor_reading,
    to_cg,
)
from tracker.core.rigid_body import rotation
from tracker.record.schema import AccelerometerEntry

RNG = np.random.default_rng(11)
TIME = np.round(np.arange(-0.05, 0.2, 1e-3), 6)
AX = np.round(-8 * np.sin(np.pi * np.clip(TIME / 0.15, 0, 1)) + 0.05 * RNG.standard_normal(250), 4)
AY = np.round(0.3 * RNG.standard_normal(250), 4)


def table(file="a.csv", **changed):
    raw = {
        "vehicle": "car",
        "at": ["0.06 m", "0.03 m", "-0.48 m"],
        "file": file,
        "time": {"column": "time", "unit": "s"},
        "channels": {
            "ax": {"column": "ax", "unit": "g_0"},
            "ay": {"column": "ay", "unit": "g_0"},
        },
    }
    return AccelerometerEntry.model_validate(raw | changed)


def rows(delimiter=",", comma=False, time=TIME):
    lines = [delimiter.join(f"{v:.6f}" for v in row) for row in zip(time, AX, AY, strict=True)]
    return [line.replace(".", ",") for line in lines] if comma else lines


def written(tmp_path, text, encoding="utf-8"):
    (tmp_path / "a.csv").write_bytes(text.encode(encoding))
    return read_accelerometer(table(), tmp_path)


PLAIN = "time,ax,ay\n" + "\n".join(rows())

LAYOUTS = {
    "plain": (PLAIN, "utf-8"),
    "byte order mark": (PLAIN, "utf-8-sig"),
    "sixteen bits": (PLAIN, "utf-16"),
    "windows": ("Versuch Nr 5, Prüfstand\n" + PLAIN, "cp1252"),
    "line ends": (PLAIN.replace("\n", "\r\n") + "\r\n", "utf-8"),
    "semicolon, decimal comma": (
        "time;ax;ay\n" + "\n".join(rows(";", comma=True)),
        "utf-8",
    ),
    "tab, decimal comma": ("time\tax\tay\n" + "\n".join(rows("\t", comma=True)), "utf-8"),
    "blanks": ("time ax ay\n" + "\n".join(rows("   ")), "utf-8"),
    "bars": ("time|ax|ay\n" + "\n".join(rows("|")), "utf-8"),
    "lines before": (
        "Laboratory;X\nDate;2026-01-05\n\ntime;ax;ay\n" + "\n".join(rows(";")),
        "utf-8",
    ),
    "units row": ("time,ax,ay\ns,g,g\n" + "\n".join(rows()), "utf-8"),
    "units in brackets": ("Time [s],AX [g],AY (g)\n" + "\n".join(rows()), "utf-8"),
    "quotes": ('"time","ax","ay"\n' + "\n".join(rows()), "utf-8"),
    "quoted decimal commas": (
        "time,ax,ay\n"
        + "\n".join(
            ",".join(f'"{v:.6f}"'.replace(".", ",") for v in row)
            for row in zip(TIME, AX, AY, strict=True)
        ),
        "utf-8",
    ),
    "more columns": (
        "no,ay,time,ax\n"
        + "\n".join(
            f"{k},{ay:.6f},{t:.6f},{ax:.6f}"
            for k, (t, ax, ay) in enumerate(zip(TIME, AX, AY, strict=True))
        ),
        "utf-8",
    ),
    "comment signs": ("# Laboratory X\n# time, ax, ay\n" + "\n".join(rows()), "utf-8"),
    "comment signs and blanks": ("#time ax ay\n" + "\n".join(rows(" ")), "utf-8"),
    "blank lines": (PLAIN.replace("\n", "\n\n"), "utf-8"),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_sane_layout_reads_the_same(tmp_path, layout):
    got = written(tmp_path, *LAYOUTS[layout])
    assert got.time == pytest.approx(TIME, abs=1e-9)
    assert got.channels["ax"] == pytest.approx(AX * G)
    assert got.channels["ay"] == pytest.approx(AY * G)
    assert got.notes == ()
    assert got.findings == ()


def test_hdf5_is_read_by_dataset_name(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["run/time"], file["run/ax"], file["ay"] = TIME, AX, AY
    channels = {
        "ax": {"column": "run/ax", "unit": "g_0"},
        "ay": {"column": "ay", "unit": "m/s^2"},
    }
    spec = table("a.h5", time={"column": "run/time", "unit": "s"}, channels=channels)
    got = read_accelerometer(spec, tmp_path)
    assert got.channels["ax"] == pytest.approx(AX * G)
    assert got.channels["ay"] == pytest.approx(AY)


def test_hdf5_may_state_its_units_itself(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["time"], file["ax"] = TIME, AX
        file["ax"].attrs["unit"] = "g"
    spec = table("a.h5", channels={"ax": {"column": "ax"}})
    assert read_accelerometer(spec, tmp_path).channels["ax"] == pytest.approx(AX * G)


def test_units_and_polarity_of_the_record_count(tmp_path):
    (tmp_path / "a.csv").write_text(PLAIN.replace("time", "t"))
    spec = table(
        time={"column": "t", "unit": "ms"},
        channels={
            "ax": {"column": "ax", "unit": "m/s^2", "polarity": -1},
            "yaw_rate": {"column": "ay", "unit": "deg/s"},
        },
    )
    got = read_accelerometer(spec, tmp_path)
    assert got.time == pytest.approx(TIME / 1000)
    assert got.as_read["ax"] == pytest.approx(-AX)
    assert got.as_read["yaw_rate"] == pytest.approx(np.radians(AY))


# What a person can get wrong, and the sentence for it.
@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("time,ax,az\n0,1,2\n", "no column 'ay'"),
        ("time,ax,ay\n", "no rows of numbers"),
        ("", "no header row"),
        ("time,ax,ay\n" + "\n".join(rows()[:5]), "only 5 rows"),
        ("time,ax,ay\n" + "\n".join(rows() + rows()), "runs backwards"),
        ("time,ax,ay\n" + "\n".join(rows(time=1000 * TIME)), "sample every 1 s"),
        ("time,ax,ay\n" + "\n".join(f"{t:.4f},x,y" for t in TIME), "no channel holds numbers"),
    ],
)
def test_what_can_not_be_read_is_one_sentence(tmp_path, text, sentence):
    with pytest.raises(Problem, match=sentence) as caught:
        written(tmp_path, text)
    assert caught.value.status == 2
    assert "a.csv" in caught.value.where


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(Problem, match=r"a\.csv: the file can't be read"):
        read_accelerometer(table(), tmp_path)


def test_a_misspelt_column_is_answered_with_the_nearest(tmp_path):
    with pytest.raises(Problem, match="did you mean 'ay_'"):
        written(tmp_path, "time,ax,ay_\n" + "\n".join(rows()))


def test_a_few_texts_and_missing_samples_are_mended_and_reported(tmp_path):
    lines = rows()
    lines[100] = lines[100].rsplit(",", 1)[0] + ",over"
    lines[120] = lines[120].split(",")[0] + ",," + lines[120].split(",")[2]
    got = written(tmp_path, "time,ax,ay\n" + "\n".join(lines))
    assert any("'over' in line 102" in note for note in got.notes)
    assert any("1 missing samples of ax" in note for note in got.notes)
    assert got.channels["ax"][120] == pytest.approx((AX[119] + AX[121]) * G / 2)


def test_a_row_out_of_order_is_left_out_and_reported(tmp_path):
    lines = rows()
    lines[50], lines[51] = lines[51], lines[50]
    got = written(tmp_path, "time,ax,ay\n" + "\n".join(lines))
    assert any("does not advance" in note for note in got.notes)
    assert len(got.time) == 250


def test_rounded_time_stamps_are_spread_evenly(tmp_path):
    lines = rows(time=np.floor(TIME * 400) / 400)
    got = written(tmp_path, "time,ax,ay\n" + "\n".join(lines))
    assert np.diff(got.time) == pytest.approx(1e-3, rel=0.01)
    assert any("rounded" in note for note in got.notes)


def test_uneven_steps_are_resampled(tmp_path):
    jittered = TIME + 2e-4 * np.sin(40 * np.arange(250))
    got = written(tmp_path, "time,ax,ay\n" + "\n".join(rows(time=jittered)))
    assert np.ptp(np.diff(got.time)) < 1e-9
    assert any("resampled" in note for note in got.notes)


def test_a_gap_ends_the_channel(tmp_path):
    keep = (TIME < 0.06) | (TIME > 0.09)
    lines = [line for line, k in zip(rows(), keep, strict=True) if k]
    got = written(tmp_path, "time,ax,ay\n" + "\n".join(lines))
    assert set(got.dropped) == {"ax", "ay"}
    assert got.findings[0].kind == "dropout"
    assert got.findings[0].estimate == pytest.approx(0.06, abs=2e-3)


def test_a_unit_of_the_file_that_differs_from_the_record_is_reported(tmp_path):
    got = written(tmp_path, "time [s],ax [m/s2],ay [g]\n" + "\n".join(rows()))
    (note,) = got.notes
    assert "the file states m/s2, the record g_0" in note
    assert got.channels["ax"] == pytest.approx(AX * G)


@pytest.mark.parametrize("seed", range(30))
def test_a_damaged_file_is_read_or_refused_but_never_breaks(tmp_path, seed):
    rng = np.random.default_rng(seed)
    raw = bytearray(PLAIN.encode())
    pieces = [b"inf", b"nan", b"1e400", b"9" * 300, b",", b"\n", b"time,ax,ay\n", b"\xff\x00", b'"']
    for _ in range(rng.choice([1, 5, 50, 300])):
        at, length = (int(x) for x in rng.integers(0, [len(raw) - 60, 50]))
        if rng.random() < 0.5:
            raw[at : at + length] = b""
        else:
            raw[at:at] = pieces[rng.integers(len(pieces))]
        if len(raw) < 200:
            break
    (tmp_path / "a.csv").write_bytes(raw)
    try:
        got = read_accelerometer(table(full_scale="50 g_0"), tmp_path)
    except Problem:
        return
    known = condition(got)
    assert all(np.isfinite(v).any() for v in known.channels.values())


FINE = np.arange(-0.05, 0.3, 1e-4)
NOISE = 0.4 * np.random.default_rng(4).standard_normal(len(FINE))
PULSE = -20 * G * np.sin(np.pi * np.clip(FINE / 0.12, 0, 1)) + NOISE


def judged(ax, full_scale=None):
    return judge_channels("car", np.zeros(3), FINE, {"ax": ax}, full_scale)


def test_a_sound_channel_has_no_findings():
    assert judged(PULSE, full_scale=100 * G).findings == ()


@pytest.mark.parametrize("full_scale", [None, 15 * G])
def test_clipping_is_found_with_or_without_the_full_scale(full_scale):
    clipped = np.clip(PULSE, -15 * G, 15 * G)
    (finding,) = judged(clipped, full_scale).findings
    assert finding.kind == "saturation"
    assert finding.estimate == pytest.approx(15 * G, rel=1e-3)
    assert "15 g" in finding.text


def test_a_computed_square_pulse_is_not_clipping():
    square = np.where((FINE > 0) & (FINE < 0.1), -10 * G, 0.0)
    assert judged(square).findings == ()


def test_coarse_digits_at_a_smooth_peak_are_not_clipping():
    assert judged(np.round(PULSE / 0.5) * 0.5).findings == ()


def test_a_channel_that_dies_is_dropped_with_its_time():
    dead = np.where(FINE < 0.05, PULSE, PULSE[999])
    got = judged(dead)
    assert "ax" in got.dropped
    assert got.findings[0].kind == "dropout"
    assert got.findings[0].estimate == pytest.approx(0.05, abs=2e-4)


@pytest.mark.parametrize("value", [0.0, -3.2])
def test_a_channel_that_was_never_alive_is_dropped(value):
    got = judged(np.full(len(FINE), value))
    assert got.channels == {}
    assert got.dropped == {"ax": "ax reads the same value throughout"}


def test_a_channel_that_dies_late_is_kept_up_to_there():
    got = judged(np.where(FINE < 0.2, PULSE, 0.0))
    assert got.dropped == {}
    assert got.good_until["ax"] == pytest.approx(0.2, abs=2e-4)
    assert np.isnan(got.channels["ax"][FINE > 0.21]).all()


def test_the_offset_before_time_zero_is_taken_off_with_its_uncertainty():
    known = condition(judged(PULSE + 3.0))
    assert known.offset["ax"] == pytest.approx(3.0, abs=4 * known.offset_u["ax"])
    assert 0.005 < known.offset_u["ax"] < 0.1
    assert known.noise["ax"] == pytest.approx(0.4, rel=0.1)
    assert known.channels["ax"][FINE < -0.005].mean() == pytest.approx(0, abs=0.02)


def test_without_record_before_time_zero_no_offset_is_taken_off():
    late = FINE > -0.004
    got = judge_channels("car", np.zeros(3), FINE[late], {"ax": PULSE[late] + 3.0}, None)
    known = condition(got)
    assert known.offset["ax"] == 0
    assert np.isnan(known.offset_u["ax"])
    assert any("offset could not be taken off" in note for note in known.notes)


def test_too_few_samples_for_a_class_use_the_next_lower_one():
    slow = slice(None, None, 10)
    got = judge_channels("car", np.zeros(3), FINE[slow], {"ax": PULSE[slow]}, None)
    known = condition(got, 180)
    assert known.cfc == 60
    assert any("too few for CFC 180" in note for note in known.notes)


# Attitude, SAE J670.
def test_the_rotation_is_yaw_then_pitch_then_roll():
    yaw, pitch, roll = 0.3, 0.2, -0.4

    def about(axis, angle):
        c, s = np.cos(angle), np.sin(angle)
        return {
            "x": np.array([[1, 0, 0], [0, c, -s], [0, s, c]]),
            "y": np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]]),
            "z": np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]),
        }[axis]

    expected = about("z", yaw) @ about("y", pitch) @ about("x", roll)
    got = rotation(np.array([roll, pitch, yaw]))
    assert got == pytest.approx(expected)


def test_nose_up_raises_the_front_and_yaw_turns_it_right():
    up = rotation(np.array([0.0, 0.1, 0.0])) @ [1, 0, 0]
    right = rotation(np.array([0.0, 0.0, 0.1])) @ [1, 0, 0]
    down = rotation(np.array([0.1, 0.0, 0.0])) @ [0, 1, 0]
    assert up[2] < 0
    assert right[1] > 0
    assert down[2] > 0


def test_gravity_reads_as_the_convention_says():
    read = gravity_reading(np.array(0.0), np.array(0.1))
    assert read[0] == pytest.approx(G * np.sin(0.1))
    assert gravity_reading(np.array(0.0), np.array(0.0)) == pytest.approx(0.0)
    free = rotation(np.array([0.2, 0.1, 0.5])).T @ [0, 0, G]
    assert gravity_reading(np.array(0.2), np.array(0.1)) == pytest.approx(-free + [0, 0, G])


def turning(time):
    """A vehicle that rolls, pitches and yaws, its angles and their rates exact."""
    state = np.zeros((len(time), 15))
    for k, (size, rate) in enumerate(((0.2, 7.0), (0.15, 5.0), (0.4, 4.0))):
        state[:, 3 + k] = size * np.sin(rate * time)
        state[:, 9 + k] = size * rate * np.cos(rate * time)
    state[:, 12:15] = np.stack((-40 * np.sin(9 * time), 10 * time, 5 * np.cos(6 * time)), axis=-1)
    return state


def test_body_rates_are_those_of_the_rotation_matrix():
    time = np.arange(0, 0.2, 1e-5)
    state = turning(time)
    attitude = rotation(state[:, 3:6])
    skew = np.einsum("nji,njk->nik", attitude, np.gradient(attitude, time, axis=0))
    rates = np.stack((skew[:, 2, 1], skew[:, 0, 2], skew[:, 1, 0]), axis=-1)
    assert body_rates(state)[1:-1] == pytest.approx(rates[1:-1], abs=1e-6)


def test_sensor_reading_is_the_second_derivative_of_its_path():
    """The path of the sensor, differentiated in ground axes and turned into the vehicle's."""
    time = np.arange(0, 0.2, 1e-4)
    state = turning(time)
    lever = np.array([0.7, -0.3, 0.2])
    attitude = rotation(state[:, 3:6])
    arm = attitude @ lever
    moved = np.gradient(np.gradient(arm, time, axis=0), time, axis=0) + state[:, 12:15]
    level = np.array([0, 0, G])
    ground = np.einsum("nji,nj->ni", attitude, moved - level) + level
    inner = slice(3, -3)
    assert sensor_reading(state, time, lever)[inner] == pytest.approx(ground[inner], abs=2e-3)


def test_transfer_to_the_cg_undoes_the_lever():
    time = np.arange(0, 0.2, 1e-4)
    state = turning(time)
    lever = np.array([0.7, -0.3, 0.2])
    there = sensor_reading(state, time, lever)
    back = to_cg(there, body_rates(state), time, lever)
    assert back == pytest.approx(sensor_reading(state, time, np.zeros(3)), abs=1e-9)


def test_channels_may_have_a_file_each(tmp_path):
    """Two loggers, one a channel, the second at twice the rate and from 10 ms later on."""
    (tmp_path / "ax.csv").write_text(
        "time,ax\n" + "\n".join(f"{t},{v}" for t, v in zip(TIME, AX, strict=True))
    )
    fine = np.arange(-0.04, 0.2, 5e-4)
    lateral = 0.5 * np.sin(20 * fine)
    (tmp_path / "ay.csv").write_text(
        "time,q\n" + "\n".join(f"{t:.6f},{v:.9f}" for t, v in zip(fine, lateral, strict=True))
    )
    channels = {
        "ax": {"column": "ax", "unit": "g_0", "file": "ax.csv"},
        "ay": {"column": "q", "unit": "g_0", "file": "ay.csv"},
    }
    alone = table(file=None, channels=channels)
    assert alone.files == ("ax.csv", "ay.csv")
    found = read_accelerometer(alone, tmp_path)
    assert found.channels["ax"][:200] == pytest.approx(G * AX[:200])
    inside = found.time > -0.039
    both = inside & np.isfinite(found.channels["ay"])
    assert both.sum() > 0.9 * inside.sum()
    assert found.channels["ay"][both] == pytest.approx(
        G * 0.5 * np.sin(20 * found.time[both]), abs=2e-3
    )
    assert any("ay were brought" in note for note in found.notes)


def test_blocks_are_named_by_their_number_where_the_record_does_not(tmp_path):
    (tmp_path / "a.csv").write_text(PLAIN)
    tables = [table(), table(name="rear", primary=True)]
    first, second = read_accelerometers(tables, tmp_path)
    assert (first.name, first.primary) == ("1", False)
    assert (second.name, second.primary) == ("rear", True)
