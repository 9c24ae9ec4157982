"""The command that writes corrected accelerometer files beside the originals."""

import hashlib
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from tests.support.made_results import made_results
from tests.support.simulated_sensors import scene
from tracker.accelerometers import read_accelerometer
from tracker.cli.main import main
from tracker.record.load import load_record
from tracker.results.channels import ChannelFinding, CrossCheckResult
from tracker.results.folder import write_data
from tracker.results.schema import Software

SENSOR = """
[[accelerometers]]
vehicle = "car"
at = ["0.1 m", "0 m", "-0.5 m"]
file = "{file}"
time = {{ column = "time", unit = "s" }}
channels = {{ ax = {{ column = "ax", unit = "m/s^2" }} }}
"""
RECORD = 'schema = 1\n[test]\nnumber = "C-1"\n[vehicles.car]\nrole = "striking"\nmass = "1100 kg"\n'


def scale(channel, by):
    return ChannelFinding(channel, "scale", by, 0.01, "1", f"{channel} reads too much")


def analysed(folder, files, findings):
    """A record with these sensor files (name: gain of its ax), analysed with these findings."""
    made = scene(2)
    for name, gain in files.items():
        columns = np.column_stack([made.fine, gain * made.channels["ax"]])
        np.savetxt(folder / name, columns, delimiter=",", header="time,ax", comments="")
    record = folder / "record.toml"
    record.write_text(RECORD + "".join(SENSOR.format(file=name) for name in files))
    inputs = {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in files}
    results = folder / "results"
    results.mkdir()
    check = CrossCheckResult("disagree" if findings else "agree", None, findings)
    write_data(
        replace(made_results(), cross_check={"car": check}, software=Software("0", inputs)), results
    )
    return record


def run(record):
    return CliRunner().invoke(main, ["correct", str(record)])


def test_the_corrected_file_reads_what_the_original_should_have(tmp_path):
    record = analysed(tmp_path, {"a.csv": 1.25}, (scale("ax", 1.25),))
    before = (tmp_path / "a.csv").read_bytes()
    got = run(record)
    assert got.exit_code == 0, got.output
    assert "ax was divided by 1.2500" in got.output
    assert (tmp_path / "a.csv").read_bytes() == before
    # What is printed is an entry of a record that reads the new file.
    entry = got.output.split("put into the record:\n")[1]
    new = record.read_text().split('file = "a.csv"')[0] + entry
    (tmp_path / "new.toml").write_text(new)
    loaded = load_record(tmp_path / "new.toml")
    read = read_accelerometer(loaded.accelerometers[0], loaded.folder)
    assert read.channels["ax"] == pytest.approx(scene(2).channels["ax"], abs=1e-6)


def test_of_several_sensors_only_the_faulty_one_is_corrected(tmp_path):
    record = analysed(tmp_path, {"a.csv": 1.0, "b.csv": 1.1}, (scale("b.csv ax", 1.1),))
    assert run(record).exit_code == 0
    assert (tmp_path / "b-corrected.csv").exists()
    assert not (tmp_path / "a-corrected.csv").exists()


def test_nothing_is_written_over(tmp_path):
    record = analysed(tmp_path, {"a.csv": 1.25}, (scale("ax", 1.25),))
    (tmp_path / "a-corrected.csv").write_text("mine")
    got = run(record)
    assert got.exit_code == 2
    assert "never written over" in got.output
    assert (tmp_path / "a-corrected.csv").read_text() == "mine"


def test_a_file_that_has_changed_since_is_not_corrected(tmp_path):
    record = analysed(tmp_path, {"a.csv": 1.25}, (scale("ax", 1.25),))
    with (tmp_path / "a.csv").open("a") as file:
        file.write("0.5,0\n")
    got = run(record)
    assert got.exit_code == 3
    assert "changed since the analysis: a.csv" in got.output


def test_sound_channels_and_lost_ones_are_left_alone(tmp_path):
    lost = ChannelFinding("ax", "saturation", 300.0, 1.0, "m/s2", "ax is clipped")
    for k, findings in enumerate(((), (lost,))):
        folder = tmp_path / str(k)
        folder.mkdir()
        got = run(analysed(folder, {"a.csv": 1.0}, findings))
        assert got.exit_code == 0
        assert "Nothing to correct" in got.output
