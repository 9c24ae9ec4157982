"""ISO/TS 13499 folders: a published channel header, round trips, and lenient reading."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.errors import Problem
from tracker.accelerometers import read_accelerometer
from tracker.accelerometers.iso13499 import (
    IsoTest,
    header_value,
    make_channel,
    parse_code,
    read_folder,
    write_folder,
)
from tracker.record.schema import AccelerometerEntry

RNG = np.random.default_rng(1)

# A channel header of the format as it stands in a public example: mobile barrier, 0.1 ms from
# -0.1 s, 6000 samples.
EXAMPLE = [
    ("Channel code", "M0MBARLEMIUPACXP"),
    ("Laboratory channel code", "NOVALUE"),
    ("Reference channel", "implicit"),
    ("Name of the channel", "Barrier left middle upper"),
    ("Pre-filter type", "CFC_1000"),
    ("Channel frequency class", "1000"),
    ("Reference system", "local"),
    ("Sampling interval", "0.0001"),
    ("Unit", "m/(s*s)"),
    ("Time of first sample", "-0.1"),
    ("Number of samples", "6000"),
    ("Dimension", "AC"),
    ("Bit resolution", "16"),
    ("Data status", "ok"),
]
SAMPLES = 10 * RNG.standard_normal(6000)


def example_folder(place, header=EXAMPLE, samples=SAMPLES, end="\n"):
    (place / "Channel").mkdir(parents=True)
    (place / "T1.mme").write_bytes(
        f"{'Data format edition number':<28}:1.6{end}{'Title':<28}:First line{end}"
        f"{'':<28}:second line{end}{'.Own label':<28}:7{end}".encode()
    )
    text = "".join(f"{label:<28}:{value}{end}" for label, value in header)
    text += "".join(f"{value:.9e}{end}" for value in samples)
    (place / "Channel" / "T1.001").write_bytes(text.encode())
    return place


def test_the_published_code_has_these_fields():
    code = parse_code("M0MBARLEMIUPACXP")
    assert (code.test_object, code.position, code.main_location) == ("M", "0", "MBAR")
    assert code.fine_location == ("LE", "MI", "UP")
    assert (code.dimension, code.direction, code.filter_class) == ("AC", "X", "P")
    assert str(code) == "M0MBARLEMIUPACXP"


@pytest.mark.parametrize("code", ["", "M0MBARLEMIUPACX", "M0MBARLEMIUPACXPP"])
def test_a_code_of_another_length_is_none(code):
    with pytest.raises(ValueError, match="16 characters"):
        parse_code(code)


def test_the_example_header_gives_its_time_axis(tmp_path):
    test = read_folder(example_folder(tmp_path / "T1"))
    (channel,) = test.channels
    assert channel.time[0] == pytest.approx(-0.1)
    assert channel.time[-1] == pytest.approx(0.4999)
    assert len(channel.values) == 6000
    assert channel.values == pytest.approx(SAMPLES, rel=1e-8)
    assert channel.unit == "m/(s*s)"
    assert channel.notes == ()
    assert header_value(channel.header, "laboratory channel code") is None
    assert header_value(test.header, "Title") == "First line\nsecond line"
    assert header_value(test.header, ".Own label") == "7"


def test_a_folder_is_the_same_after_writing_and_reading(tmp_path):
    time = -0.05 + 1e-4 * np.arange(3000)
    channels = (
        make_channel(
            "10VEHCCG0000ACXP", time, RNG.standard_normal(3000), "m/(s*s)", {"Location": "a\nb"}
        ),
        make_channel("10VEHCCG0000AVZP", time, 1e-9 * RNG.standard_normal(3000), "rad/s"),
    )
    header = (("Data format edition number", "1.6"), ("Title", "two\nlines"), (".Own", "x: y"))
    write_folder(IsoTest("T2", header, (), channels), tmp_path / "T2")
    back = read_folder(tmp_path / "T2")
    assert back.header == header
    assert back.name == "T2"
    for one, other in zip(channels, back.channels, strict=True):
        assert other.code == one.code
        assert other.header == one.header
        assert other.values == pytest.approx(one.values, rel=1e-15)
        assert other.time == pytest.approx(one.time, abs=1e-12)
    write_folder(back, tmp_path / "T3")
    for name in ("T2.mme", "Channel/T2.chn", "Channel/T2.001", "Channel/T2.002"):
        assert (tmp_path / "T3" / name).read_bytes() == (tmp_path / "T2" / name).read_bytes()


def test_labels_end_before_the_colon_in_column_29(tmp_path):
    time = 1e-4 * np.arange(10)
    channel = make_channel("10VEHCCG0000ACXP", time, time, "m/(s*s)")
    write_folder(IsoTest("T", (("Title", "t"),), (), (channel,)), tmp_path / "T")
    lines = (tmp_path / "T" / "Channel" / "T.001").read_text().splitlines()
    assert all(line[28] == ":" for line in lines if ":" in line)


def test_nothing_is_written_over_a_test(tmp_path):
    with pytest.raises(Problem, match="there already"):
        write_folder(IsoTest("T", (), (), ()), tmp_path)


@pytest.mark.parametrize("change", ["tabs", "line ends", "comma", "no value", "blank lines"])
def test_other_writers_are_read_too(tmp_path, change):
    samples = SAMPLES[:500]
    header = [(a, "500" if a == "Number of samples" else b) for a, b in EXAMPLE]
    place = example_folder(
        tmp_path / "T", header, samples, "\r\n" if change == "line ends" else "\n"
    )
    file = place / "Channel" / "T1.001"
    text = file.read_text()
    if change == "tabs":
        text = text.replace(":", ":\t")
    if change == "comma":
        text = text.replace(".", ",")
    if change == "no value":
        lines = text.splitlines()
        lines[-3] = "novalue"
        text = "\n".join(lines)
        samples = np.where(np.arange(500) == 497, np.nan, samples)
    if change == "blank lines":
        text = text.replace("Unit", "\nUnit")
    file.write_text(text)
    (channel,) = read_folder(place).channels
    assert channel.values == pytest.approx(samples, rel=1e-8, nan_ok=True)
    assert channel.time[1] - channel.time[0] == pytest.approx(1e-4)
    assert channel.notes == ()


def test_a_wrong_number_of_samples_is_reported(tmp_path):
    place = example_folder(tmp_path / "T", samples=SAMPLES[:200])
    (channel,) = read_folder(place).channels
    assert "6000 samples, the file holds 200" in channel.notes[0]


@pytest.mark.parametrize(
    ("header", "sentence"),
    [
        ([h for h in EXAMPLE if h[0] != "Sampling interval"], 'no "Sampling interval"'),
        ([(a, "x" if a == "Sampling interval" else b) for a, b in EXAMPLE], "is no number"),
        ([(a, "explicit" if a == "Reference channel" else b) for a, b in EXAMPLE], "explicit"),
    ],
)
def test_a_channel_without_a_time_axis_is_refused(tmp_path, header, sentence):
    with pytest.raises(Problem, match=sentence):
        read_folder(example_folder(tmp_path / "T", header, SAMPLES[:50]))


# "explicit" names another channel that holds the time axis (from memory).
def test_a_channel_may_have_its_time_axis_in_another(tmp_path):
    time = np.cumsum(np.full(500, 1e-4)) - 0.02
    values = RNG.standard_normal(500)
    axis = make_channel("10VEHCCG0000TI00", time, time * 1e3, "ms")
    own = {"Reference channel": "explicit", "Reference channel name": "10VEHCCG0000TI00"}
    channel = make_channel("10VEHCCG0000ACXP", time, values, "m/(s*s)", own)
    bare = tuple(row for row in channel.header if row[0] not in ("Sampling interval",))
    test = IsoTest("T", (), (), (replace(channel, header=bare), axis))
    write_folder(test, tmp_path / "T")
    read = read_folder(tmp_path / "T").channels[0]
    assert read.time == pytest.approx(time, abs=1e-12)
    assert np.array_equal(read.values, values)


def test_a_record_names_channels_by_code_and_takes_the_unit_from_the_file(tmp_path):
    example_folder(tmp_path / "T")
    table = AccelerometerEntry.model_validate(
        {
            "vehicle": "car",
            "at": ["0 m", "0 m", "0 m"],
            "file": "T",
            "channels": {"ax": {"column": "M0MBARLEMIUPACXP"}},
        }
    )
    got = read_accelerometer(table, tmp_path)
    assert got.channels["ax"] == pytest.approx(SAMPLES, rel=1e-8)
    assert got.interval == pytest.approx(1e-4)


def test_a_wrong_code_is_answered_with_the_nearest(tmp_path):
    example_folder(tmp_path / "T")
    with pytest.raises(Problem, match="did you mean 'M0MBARLEMIUPACXP'"):
        read_folder(tmp_path / "T").channel("M0MBARLEMIUPACYP", "T")


def test_an_empty_folder_is_refused(tmp_path):
    with pytest.raises(Problem, match="no channel files"):
        read_folder(tmp_path)
